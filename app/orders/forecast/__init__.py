"""The studio's own record, and the forecasts made from it in a child process."""
