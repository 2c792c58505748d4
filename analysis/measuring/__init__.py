"""Recipes and measurements: what the meter found in a recording."""
