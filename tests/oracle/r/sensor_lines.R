# Lines, shape and left-out performance of a sensor against a reference.
# Run in tests/oracle/r:  Rscript sensor_lines.R
suppressMessages({library(MASS); library(clubSandwich)})

head_lines <- c(
  "# Made by tests/oracle/r/sensor_lines.R",
  sprintf("# %s, clubSandwich %s, MASS %s", R.version.string,
          packageVersion("clubSandwich"), packageVersion("MASS")))

# MASS::coop: laboratory 6 as the sensor, laboratory 1 as the reference, in the
# order of the table; the specimen is the trial.
lab <- function(name) subset(coop, Lab == name)
labs <- data.frame(s = lab("L6")$Conc, r = lab("L1")$Conc,
                   trial = as.character(lab("L1")$Spc))
awkward <- read.csv("../data/awkward_trials.csv", comment.char = "#")
awkward <- data.frame(s = awkward$oven_pct + awkward$error_pct,
                      r = awkward$oven_pct, trial = awkward$trial)

clustered <- function(fit, trial) {
  V <- vcovCR(fit, cluster = trial, type = "CR2")
  tests <- coef_test(fit, vcov = V, test = "Satterthwaite")
  list(V = V, se = tests$SE, df = if (is.null(tests$df)) tests$df_Satt else tests$df)
}

loto <- function(d, predict_left_out) {
  left <- unlist(lapply(unique(d$trial), function(g)
    predict_left_out(d[d$trial != g, ], d[d$trial == g, ])))
  sqrt(mean(left^2))
}

deming <- function(d, v_s, v_r) {
  ratio <- v_s / v_r
  sxx <- var(d$r); syy <- var(d$s); sxy <- cov(d$r, d$s)
  k <- syy - ratio * sxx
  (k + sqrt(k^2 + 4 * ratio * sxy^2)) / (2 * sxy)
}

report <- function(d, anchor) {
  out <- list()
  add <- function(name, value, se = NA, df = NA)
    out[[length(out) + 1]] <<- data.frame(name, value = value, se = se, df = df)
  e <- d$s - d$r
  line <- lm(r ~ I(s - anchor), d)
  cr2 <- clustered(line, d$trial)
  add("slope", coef(line)[2], cr2$se[2], cr2$df[2])
  # The fitted value at the anchor has the error of the bias there.
  add("bias at anchor", anchor - coef(line)[1], cr2$se[1], cr2$df[1])
  at_zero <- lm(r ~ s, d)
  zero <- clustered(at_zero, d$trial)
  add("intercept", coef(at_zero)[1], zero$se[1], zero$df[1])
  plain <- summary(at_zero)$coefficients
  add("plain slope", plain[2, 1], plain[2, 2], df.residual(line))
  add("residual sd", sigma(line))
  centred <- lm(I(r - s) ~ I(s - anchor), d)

  ends <- quantile(d$r, c(0.05, 0.95), names = FALSE)
  z <- (2 * d$r - sum(ends)) / diff(ends)
  bend <- lm(e ~ z + I(z^2))
  cr2 <- clustered(bend, d$trial)
  add("curvature", -coef(bend)[3], cr2$se[3], cr2$df[3])
  straight <- lm(e ~ z)
  size <- abs(resid(straight)) / sqrt(1 - hatvalues(straight))
  spread <- glm(size ~ z, family = Gamma("log"))
  # glm stops when the deviance does; go on with its own steps, weights 1. Adjusted
  # by CR2 is the last step (clubSandwich's method for glm works on the other scale).
  eta <- predict(spread)
  for (step in 1:200) {
    working <- eta + size / exp(eta) - 1
    last <- lm(working ~ z)
    eta <- fitted(last)
  }
  stopifnot(all.equal(coef(last), coef(spread), tolerance = 1e-4))
  cr2 <- clustered(last, d$trial)
  add("log spread", 2 * coef(last)[2], 2 * cr2$se[2], cr2$df[2])
  middle <- (d$s + d$r) / 2
  mean_line <- lm(e ~ middle)
  sd_line <- lm(abs(resid(mean_line)) ~ middle)
  add("limits bias slope", coef(mean_line)[2])
  add("limits sd slope", sqrt(pi / 2) * coef(sd_line)[2])
  add("limits sd intercept", sqrt(pi / 2) * coef(sd_line)[1])

  trials <- unique(d$trial)
  whole <- deming(d, 0.3^2, 0.1^2)
  rest <- sapply(trials, function(g) deming(d[d$trial != g, ], 0.3^2, 0.1^2))
  n <- length(trials)
  add("gain", whole, sqrt((n - 1) / n * sum((rest - mean(rest))^2)), n - 1)

  add("rmsep none", sqrt(mean(e^2)))
  add("rmsep offset", loto(d, function(rest, left)
    left$s - mean(rest$s - rest$r) - left$r))
  add("rmsep line", loto(d, function(rest, left)
    predict(lm(r ~ s, rest), left) - left$r))
  # Equivalence: the margin at which the harder one-sided test has p = 0.05.
  one_sided <- function(m) max(
    t.test(e, mu = -m, alternative = "greater")$p.value,
    t.test(e, mu = m, alternative = "less")$p.value)
  margin <- uniroot(function(m) one_sided(m) - 0.05, c(0, 100), tol = 1e-13)$root
  add("least margin", margin)
  do.call(rbind, out)
}

sets <- list(coop = report(labs, 1.5), awkward = report(awkward, 15.5))
rows <- do.call(rbind, lapply(names(sets), function(set) cbind(set, sets[[set]])))
g <- function(x) ifelse(is.na(x), "", sprintf("%.13g", x))
lines <- sprintf("%s,%s,%s,%s,%s", rows$set, rows$name, g(rows$value), g(rows$se),
                 g(rows$df))
writeLines(c(head_lines, "set,name,value,se,df", lines), "../data/sensor_lines.csv")
