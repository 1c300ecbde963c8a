"""Measurements of this installation: an invented ward of any size, a driver, and their figures."""
