# Kenward-Roger and Satterthwaite of a random intercept.
# Run in tests/oracle/r, after clubsandwich.R:  Rscript pbkrtest.R
suppressMessages({library(lme4); library(lmerTest); library(pbkrtest)})
source("exact_lmer.R")

head_lines <- c(
  "# Made by tests/oracle/r/pbkrtest.R",
  sprintf("# %s, lme4 %s, lmerTest %s, pbkrtest %s", R.version.string,
          packageVersion("lme4"), packageVersion("lmerTest"),
          packageVersion("pbkrtest")))
g <- function(x) sprintf("%.12g", x)

kept <- read.csv("../data/sleep_rows.csv", comment.char = "#")$row
sleep <- sleepstudy[kept, ]
awkward <- read.csv("../data/awkward_trials.csv", comment.char = "#")
awkward$seventh <- seq_len(nrow(awkward)) %% 7 # groups that mean nothing
models <- list(
  full_line = exact_lmer(Reaction ~ Days + (1 | Subject), sleepstudy),
  sleep_line = exact_lmer(Reaction ~ Days + (1 | Subject), sleep),
  sleep_mean = exact_lmer(Reaction ~ 1 + (1 | Subject), sleep),
  Dyestuff_mean = exact_lmer(Yield ~ 1 + (1 | Batch), Dyestuff),
  Dyestuff2_mean = exact_lmer(Yield ~ 1 + (1 | Batch), Dyestuff2),
  awkward_mean = exact_lmer(error_pct ~ 1 + (1 | trial), awkward),
  awkward_line = exact_lmer(error_pct ~ oven_pct + (1 | trial), awkward),
  seventh_line = exact_lmer(error_pct ~ oven_pct + (1 | seventh), awkward))

out <- c(head_lines,
         "model,term,sd_group,sd_residual,estimate,kr_se,kr_df,satt_se,satt_df")
for (name in names(models)) {
  model <- as_lmerModLmerTest(models[[name]])
  sds <- as.data.frame(VarCorr(model))$sdcor
  kr <- coef(summary(model, ddf = "Kenward-Roger"))
  satt <- coef(summary(model, ddf = "Satterthwaite"))
  for (i in seq_len(nrow(kr)))
    out <- c(out, paste(name, i - 1, g(sds[1]), g(sds[2]), g(kr[i, "Estimate"]),
                        g(kr[i, "Std. Error"]), g(kr[i, "df"]),
                        g(satt[i, "Std. Error"]), g(satt[i, "df"]), sep = ","))
}
writeLines(out, "../data/pbkrtest.csv")
