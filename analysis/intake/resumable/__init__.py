"""Uploads in parts that survive a broken line and a killed server, by tus 1.0.0."""
