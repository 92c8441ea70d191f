"""Show the log on a phone and a desktop; compute nothing."""
