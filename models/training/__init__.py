"""Fit the grader on rendered photos, through vision.measure."""
