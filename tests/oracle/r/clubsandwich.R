# CR2 standard errors and Satterthwaite degrees of freedom.
# Run in tests/oracle/r:  Rscript clubsandwich.R
suppressMessages({library(lme4); library(clubSandwich)})

head_lines <- c(
  "# Made by tests/oracle/r/clubsandwich.R",
  sprintf("# %s, clubSandwich %s, lme4 %s", R.version.string,
          packageVersion("clubSandwich"), packageVersion("lme4")))
g <- function(x) sprintf("%.13g", x)

# sleepstudy (lme4) less 60 rows: an unbalanced set; the rows kept are printed.
set.seed(1)
kept <- sort(setdiff(seq_len(180), sample(180, 60)))
writeLines(c(head_lines, "# Rows of lme4's sleepstudy kept, counted from 1",
             "row", kept), "../data/sleep_rows.csv")
sleep <- sleepstudy[kept, ]
awkward <- read.csv("../data/awkward_trials.csv", comment.char = "#")
two <- subset(awkward, trial %in% c("A", "D"))

models <- list(
  sleep_mean = list(lm(Reaction ~ 1, sleep), sleep$Subject),
  sleep_line = list(lm(Reaction ~ Days, sleep), sleep$Subject),
  awkward_mean = list(lm(error_pct ~ 1, awkward), awkward$trial),
  awkward_line = list(lm(error_pct ~ oven_pct, awkward), awkward$trial),
  awkward_bent = list(lm(error_pct ~ oven_pct + I(oven_pct^2), awkward), awkward$trial),
  # A column per trial: every trial has a leverage of 1, those of one sample wholly.
  awkward_within = list(lm(error_pct ~ oven_pct + trial, awkward), awkward$trial),
  two_mean = list(lm(error_pct ~ 1, two), two$trial),
  two_line = list(lm(error_pct ~ oven_pct, two), two$trial))

out <- c(head_lines, "model,term,estimate,se,df")
for (name in names(models)) {
  found <- as.data.frame(coef_test(models[[name]][[1]], vcov = "CR2",
                                   cluster = models[[name]][[2]],
                                   test = "Satterthwaite"))
  terms <- if (name == "awkward_within") 2 else seq_len(nrow(found)) # slope only
  for (i in terms)
    out <- c(out, paste(name, i - 1, g(found$beta[i]), g(found$SE[i]),
                        g(found$df_Satt[i]), sep = ","))
}
writeLines(out, "../data/clubsandwich_coef.csv")
