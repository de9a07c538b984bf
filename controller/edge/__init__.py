"""Doors: one module for each outside library."""
