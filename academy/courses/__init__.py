"""Courses, lessons and their before/after demos."""
