"""Members, tiers, grants, and signing in."""
