# Variance components of one grouping and of two, crossed and nested.
# Run in tests/oracle/r:  Rscript lme4.R
source("exact_lmer.R")

g <- function(x) sprintf("%.12g", x)
awkward <- read.csv("../data/awkward_trials.csv", comment.char = "#")
awkward$seventh <- seq_len(nrow(awkward)) %% 7 # groups that mean nothing

models <- list( # the first grouping is the trial of variance_components
  Dyestuff = list(Yield ~ 1 + (1 | Batch), Dyestuff),
  Dyestuff2 = list(Yield ~ 1 + (1 | Batch), Dyestuff2),
  Pastes = list(strength ~ 1 + (1 | batch) + (1 | sample), Pastes),
  Penicillin = list(diameter ~ 1 + (1 | plate) + (1 | sample), Penicillin),
  awkward = list(error_pct ~ 1 + (1 | trial) + (1 | sensor), awkward),
  seventh = list(oven_pct ~ 1 + (1 | seventh) + (1 | sensor), awkward))

out <- c("# Made by tests/oracle/r/lme4.R",
         sprintf("# %s, lme4 %s", R.version.string, packageVersion("lme4")),
         "data,trial,sensor,sd_trial,sd_sensor,sd_residual")
for (name in names(models)) {
  formula <- models[[name]][[1]]
  groups <- all.vars(formula)[-1]
  found <- as.data.frame(VarCorr(exact_lmer(formula, models[[name]][[2]])))
  sd <- setNames(g(found$sdcor), found$grp)
  sensor <- if (length(groups) > 1) groups[2] else ""
  out <- c(out, paste(name, groups[1], sensor, sd[[groups[1]]],
                      if (sensor == "") "" else sd[[sensor]], sd[["Residual"]],
                      sep = ","))
}
writeLines(out, "../data/lme4.csv")
