# The peers of the forecast: two usual methods of R's package forecast (R. J. Hyndman, Y. Khandakar, 2008, Journal of Statistical Software 27(3)).
# Debian: r-base-core, r-cran-forecast. Standard input has one origin a line: its number, then its history on even half hours, oldest first,
# no value missing. Standard output has one line for each: the number, seconds and 48 h of half-hourly forecasts of stlf with an ARIMA model,
# then the same of a regression on three waves of the day with ARIMA errors.
suppressMessages(library(forecast))
ahead <- 96
input <- file("stdin", "r")
while (length(line <- readLines(input, n = 1)) > 0) {
  x <- as.numeric(strsplit(line, " ", fixed = TRUE)[[1]])
  y <- ts(x[-1], frequency = 48)
  a <- proc.time()[["elapsed"]]
  one <- stlf(y, h = ahead, method = "arima")$mean
  b <- proc.time()[["elapsed"]]
  fit <- auto.arima(y, xreg = fourier(y, K = 3), seasonal = FALSE)
  two <- forecast(fit, xreg = fourier(y, K = 3, h = ahead))$mean
  c <- proc.time()[["elapsed"]]
  cat(x[1], b - a, one, c - b, two, "\n")
}
