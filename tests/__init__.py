"""Checks of the program; a package, so that checks can share a yard or a figure."""
