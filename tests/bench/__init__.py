"""Checks of the bench: the witness has to be credible before anybody is judged by it."""
