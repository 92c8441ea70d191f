"""Keep, decide and show: the log, the treatment plan, the dashboard and the command line."""
