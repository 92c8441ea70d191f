"""Keep the log: the only package that speaks SQL."""
