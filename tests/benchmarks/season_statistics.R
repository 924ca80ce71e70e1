# The season's statistics in R, for tests/benchmarks/season_scale.py to set beside ours.
# Run: Rscript season_statistics.R FOLDER        (a folder of `moisture-audit simulate`)
# Reads the tables, makes reference values, pairs them and gives each curve's bias and
# line with CR2 and its bias with a random trial intercept. It checks nothing: what it
# does not do (every check, bands, robust lines, advice) is to its advantage.
suppressMessages({library(lme4); library(clubSandwich)})
folder <- commandArgs(TRUE)[1]
quick <- requireNamespace("data.table", quietly = TRUE)
if (quick) data.table::setDTthreads(1)
read <- function(table) {
  path <- file.path(folder, paste0(table, ".csv"))
  keys <- c("trial", "plot", "sample", "block", "row", "range", "dish")
  text <- "character"
  found <- if (quick) data.table::fread(path, data.table = FALSE, colClasses = text)
           else read.csv(path, colClasses = text)
  for (name in setdiff(names(found), keys)) {
    found[[name]] <- type.convert(found[[name]], as.is = TRUE)
  }
  found
}
# Seconds of processor, as those it is set beside.
spent <- function() sum(proc.time()[c("user.self", "sys.self")])
seconds <- function(name, work) {
  start <- spent()
  found <- work()
  cat(sprintf("%s %.3f\n", name, spent() - start))
  found
}

tables <- seconds("read", function() {
  names <- c("plots", "oven", "benchtop", "curves", "readings", "setup_runs",
             "check_runs")
  setNames(lapply(names, read), names)
})

pairs <- seconds("pair", function() {
  oven <- tables$oven
  oven$moisture <- 100 * (oven$wet_g - oven$dry_g) / (oven$wet_g - oven$tare_g)
  two <- !is.na(oven$prestage_wet_g) & !is.na(oven$prestage_dry_g)
  first <- ifelse(two, 100 * (1 - oven$prestage_dry_g / oven$prestage_wet_g), 0)
  oven$moisture <- first + (100 - first) * oven$moisture / 100
  missing <- is.na(oven$moisture)
  oven$moisture[missing] <- oven$moisture_pct[missing]
  fair <- oven$selection_reason %in% c("random", "stratified", "", NA)
  reference <- aggregate(moisture ~ sample + trial + plot, oven[fair, ], mean)
  register <- tables$curves[!duplicated(tables$curves$curve, fromLast = TRUE), ]
  plots <- tables$plots
  loaded <- register$offset_loaded[match(plots$curve, register$curve)]
  change <- ifelse(is.na(plots$offset_in_force), 0, loaded - plots$offset_in_force)
  plots$sensor_pct <- plots$sensor_pct + change
  columns <- c("trial", "plot", "curve", "sensor_pct")
  read <- rbind(plots[columns], tables$readings[columns])
  found <- merge(reference, read, by = c("trial", "plot"))
  found$error <- found$sensor_pct - found$moisture
  found[!is.na(found$error), ]
})

seconds("statistics", function() {
  by_curve <- split(pairs, pairs$curve)
  rows <- lapply(by_curve, function(own) {
    bias <- lm(error ~ 1, own)
    line <- lm(moisture ~ sensor_pct, own)
    mixed <- lmer(error ~ 1 + (1 | trial), own)
    clustered <- function(fit) {
      coef_test(fit, vcov = "CR2", cluster = own$trial, test = "Satterthwaite")
    }
    found <- clustered(bias)
    c(n = nrow(own), bias = found$beta[1], se = found$SE[1],
      slope = clustered(line)$beta[2], mixed = fixef(mixed)[[1]])
  })
  do.call(rbind, rows)
})
