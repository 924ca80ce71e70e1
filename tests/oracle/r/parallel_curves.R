# Two instruments on the same samples: RMSE difference with a jackknife over
# clusters, and the Pitman-Morgan slope with its CR2 error.
# Data: carData's LoBD, four instruments x two reagent lots on 11 pools; the mean of
# all eight stands in for the reference, the pool for the trial.
# Run in tests/oracle/r:  Rscript parallel_curves.R
suppressMessages({library(carData); library(clubSandwich)})

g <- function(x) sprintf("%.13g", x)
readings <- as.matrix(LoBD[, -1])
reference <- rowMeans(readings)
out <- c("# Made by tests/oracle/r/parallel_curves.R",
         sprintf("# %s, clubSandwich %s, carData %s", R.version.string,
                 packageVersion("clubSandwich"), packageVersion("carData")),
         "first,second,n,clusters,rms_first,rms_second,rms_se,sd_se,r,slope,slope_se,slope_df")
rms <- function(x) sqrt(mean(x^2))
for (pair in list(c("I1L1", "I2L1"), c("I1L2", "I4L2"), c("I3L1", "I3L2"))) {
  e <- readings[, pair[1]] - reference
  f <- readings[, pair[2]] - reference
  pool <- as.character(LoBD$pool)
  pools <- unique(pool); k <- length(pools)
  jack <- function(statistic) {
    rest <- sapply(pools, function(p) statistic(e[pool != p], f[pool != p]))
    sqrt((k - 1) / k * sum((rest - mean(rest))^2))
  }
  d <- e - f; s <- e + f
  fit <- lm(d ~ s)
  found <- as.data.frame(coef_test(fit, vcov = "CR2", cluster = pool,
                                   test = "Satterthwaite"))
  r <- cor.test(d, s)$estimate  # the Pitman-Morgan correlation itself
  out <- c(out, paste(pair[1], pair[2], length(e), k, g(rms(e)), g(rms(f)),
                      g(jack(function(a, b) rms(a) - rms(b))),
                      g(jack(function(a, b) sd(a) - sd(b))), g(r),
                      g(found$beta[2]), g(found$SE[2]), g(found$df_Satt[2]), sep = ","))
}
writeLines(out, "../data/parallel_curves.csv")
