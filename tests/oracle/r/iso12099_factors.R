# Factors of ISO 12099 at 95 %: Tb / SEP and TUE / SEC, by R's qt and qf.
# Run in tests/oracle/r:  Rscript iso12099_factors.R
n <- c(5:10, 15, 20, 25, 30, 40, 50, 100)
rows <- do.call(rbind, lapply(c(50, 100, 200, 1000), function(m)
  data.frame(n, m, tb = qt(0.975, n - 1) / sqrt(n), tue = sqrt(qf(0.95, n - 1, m)))))
writeLines(c(
  "# Made by tests/oracle/r/iso12099_factors.R",
  paste("#", R.version.string),
  "n,df_at_setup,tb_over_sep,tue_over_sec",
  sprintf("%d,%d,%.12g,%.12g", rows$n, rows$m, rows$tb, rows$tue)),
  "../data/iso12099_factors.csv")
