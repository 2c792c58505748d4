"""Letters to people: written once, sent once, switched off where not essential."""
