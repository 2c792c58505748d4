"""Scores in, standings out: pure arithmetic on score sheets, without files of the site or its database."""
