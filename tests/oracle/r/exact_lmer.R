# lmer() whose variances are right to about 10 digits: the optimisers of lme4 see only
# the deviance, flat at its least, so they stop near 8 digits. Used by other scripts.
suppressMessages({library(lme4); library(numDeriv)})

exact_lmer <- function(formula, data) {
  deviance <- do.call(mkLmerDevfun, lFormula(formula, data, REML = TRUE))
  theta <- optimizeLmer(deviance)$par
  inside <- theta > 1e-4 # a parameter at its bound of 0 stays there
  theta[!inside] <- 0
  along <- function(x) deviance(replace(theta, inside, x))
  for (step in 1:4) if (any(inside))
    theta[inside] <- theta[inside] -
      solve(hessian(along, theta[inside]), grad(along, theta[inside]))
  # The call must hold formula, data and start themselves: lmerTest runs it again.
  eval(bquote(lme4::lmer(.(formula), data = .(data), start = .(theta),
                       control = lmerControl(optimizer = NULL,
                                             check.conv.singular = "ignore"))))
}
