# Fits of one table of intervals by survival or npsurv: masses on stdout, CPU seconds and memory.
# Arguments: which, a file of rows "left right weight" (Inf where open), repetitions.
given <- commandArgs(trailingOnly = TRUE)
suppressMessages(library(given[1], character.only = TRUE))
rows <- as.matrix(read.table(given[2], colClasses = "numeric"))
repeats <- as.integer(given[3])
left <- rows[, 1]; right <- rows[, 2]; weight <- rows[, 3]
fit <- if (given[1] == "survival") {
  right[is.infinite(right)] <- NA
  function() survfit(Surv(left, right, type = "interval2") ~ 1, weights = weight, se.fit = FALSE)
} else {
  function() npsurv(cbind(left, right), weight)
}
before <- gc(reset = TRUE)
cpu <- numeric(repeats)
for (i in seq_len(repeats)) {
  began <- proc.time()
  model <- fit()
  cpu[i] <- sum((proc.time() - began)[1:2])
}
peak_mb <- sum(gc()[, 6]) - sum(before[, 2])
if (given[1] == "survival") {
  at <- model$time; mass <- -diff(c(1, model$surv))
} else {
  at <- model$f$left; mass <- model$f$p
}
cat("cpu", format(median(cpu), digits = 8), "\n")
cat("peak", format(peak_mb, digits = 8), "\n")
for (i in seq_along(at)) cat(format(at[i], digits = 17), format(mass[i], digits = 17), "\n")
