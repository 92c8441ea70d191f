"""Tell what happened: reports as data, charts and pages."""
