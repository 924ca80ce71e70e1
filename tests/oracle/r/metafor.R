# Random-effects pooling: REML and Paule-Mandel, Hartung-Knapp, prediction, BLUPs.
# Run in tests/oracle/r:  Rscript metafor.R
suppressMessages(library(metafor))

g <- function(x) sprintf("%.12g", x)
bcg <- escalc("RR", ai = tpos, bi = tneg, ci = cpos, di = cneg, data = dat.bcg)
sets <- list(
  eight = list(yi = c(.42, .10, -.15, .55, .31, .05, .88, .20),
               vi = c(.010, .020, .015, .060, .005, .030, .090, .012)),
  alike = list(yi = c(.21, .18, .25, .20, .16, .23), # less scatter than the errors say
               vi = c(.010, .020, .015, .006, .030, .012)),
  bcg = list(yi = as.numeric(bcg$yi), vi = as.numeric(bcg$vi)))

versions <- c("# Made by tests/oracle/r/metafor.R",
              sprintf("# %s, metafor %s, metadat %s", R.version.string,
                      packageVersion("metafor"), packageVersion("metadat")))
pools <- c(versions, "# se_plain: Hartung and Knapp's; se: kept up (test = adhoc)",
           "set,tau2_reml,tau2_pm,mean,se_plain,se,df,pi_low,pi_high,i2")
blups <- c(versions, "# Without a correction for the estimated variance",
           "set,curve,blup")
tight <- list(tol = 1e-13, threshold = 1e-13, maxiter = 1000)
for (name in names(sets)) {
  yi <- sets[[name]]$yi; vi <- sets[[name]]$vi
  plain <- rma(yi, vi, method = "REML", test = "knha", control = tight)
  kept <- rma(yi, vi, method = "REML", test = "adhoc", control = tight)
  pm <- rma(yi, vi, method = "PM", control = tight)
  ahead <- predict(kept)
  pools <- c(pools, paste(c(name, g(c(plain$tau2, pm$tau2, kept$beta, plain$se, kept$se,
                                      kept$ddf, ahead$pi.lb, ahead$pi.ub, kept$I2))),
                          collapse = ","))
  blups <- c(blups, paste(name, seq_along(yi), g(blup(kept)$pred), sep = ","))
}
writeLines(pools, "../data/metafor_pool.csv")
writeLines(blups, "../data/metafor_blup.csv")
writeLines(c(versions, "# Benjamini-Hochberg by stats::p.adjust", "p,q",
             with(list(p = c(.001, .012, .03, .035, .2, .41, .04)),
                  paste(g(p), g(p.adjust(p, "BH")), sep = ","))),
           "../data/p_adjust.csv")
