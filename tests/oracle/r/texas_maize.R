# Least-squares means of the hybrids of 20 real trials, blocks fixed: R's lm, each
# hybrid predicted in every replicate and averaged.
# Run from tests/oracle:  Rscript r/texas_maize.R > data/texas_maize_means_r.csv
plots <- read.csv("data/texas_maize_2001_2003.csv", comment.char = "#",
                  colClasses = c(gen = "character"))
plots <- plots[!is.na(plots$yield), ]
cat("#", R.version.string, "\n# made by r/texas_maize.R\nenv,gen,mean,residual_sd\n")
for (trial in sort(unique(plots$env))) {
  own <- plots[plots$env == trial, ]
  own$gen <- factor(own$gen)
  own$rep <- factor(own$rep)
  model <- lm(yield ~ gen + rep, own)
  grid <- expand.grid(gen = levels(own$gen), rep = levels(own$rep))
  means <- tapply(predict(model, grid), grid$gen, mean)
  cat(sprintf("%s,%s,%.12g,%.12g\n", trial, names(means), means, sigma(model)),
      sep = "")
}
