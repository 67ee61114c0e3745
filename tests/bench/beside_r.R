# Times R's survival package on the files of the study of speed (see DEVELOPERS.md, Bench):
# Rscript tests/bench/beside_r.R TASK FILE [TIMES]. Prints estimates and the least and median seconds.
suppressMessages(library(survival))
args <- commandArgs(TRUE)
task <- args[1]
times <- if (length(args) > 2) as.integer(args[3]) else 3
d <- read.csv(args[2])
curve <- function(f) c(beta = 1 / f$scale, eta = unname(exp(coef(f)[1])), loglik = f$loglik[2])
weibull <- function(time, event) survreg(Surv(time, event) ~ 1, dist = "weibull")
work <- switch(task,
  weib = function() curve(weibull(d$time, d$event)),
  groups = function() {
    rows <- split(seq_len(nrow(d)), d$group)
    found <- vapply(rows, function(i) {
      f <- weibull(d$time[i], d$event[i])
      c(1 / f$scale, exp(f$coefficients[[1]]))
    }, numeric(2))
    c(sum_beta = sum(found[1, ]), sum_eta = sum(found[2, ]))
  },
  boot = function() {
    # Fractional random weights, as ours: 2,000 refits.
    shapes <- vapply(1:2000, function(k) {
      w <- rexp(nrow(d))
      1 / survreg(Surv(time, event) ~ 1, data = d, weights = w, dist = "weibull")$scale
    }, 0)
    quantile(shapes, c(0.025, 0.5, 0.975))
  },
  icfit = function() {
    lo <- ifelse(d$lo <= 0, NA, d$lo)
    hi <- ifelse(is.finite(d$hi), d$hi, NA)
    curve(survreg(Surv(lo, hi, type = "interval2") ~ 1, dist = "weibull"))
  },
  aft = function() {
    f <- survreg(Surv(time, event) ~ x1 + x2 + x3, data = d, dist = "weibull")
    c(coef(f), scale = f$scale, loglik = f$loglik[2])
  },
  km = function() {
    f <- survfit(Surv(time, event) ~ 1, data = d)
    c(S1000 = summary(f, times = 1000)$surv)
  },
  logrank = function() c(chisq = survdiff(Surv(time, event) ~ grp, data = d)$chisq)
)
seconds <- numeric(0)
for (k in seq_len(times)) {
  gc(FALSE)
  start <- as.numeric(Sys.time())
  found <- work()
  seconds <- c(seconds, as.numeric(Sys.time()) - start)
}
cat(
  "R", task, basename(args[2]), "est:", paste(names(found), formatC(found, digits = 10), collapse = " "),
  "| compute_min_s", round(min(seconds), 4), "compute_med_s", round(median(seconds), 4), "\n"
)
