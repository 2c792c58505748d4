"""Stem packs: raw tracks, their terms and their downloads."""
