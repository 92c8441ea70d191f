"""Render photos whose truth is known; share no code with what they test."""
