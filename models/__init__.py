"""Make the files that vision reads as data; imported by nobody at run time."""
