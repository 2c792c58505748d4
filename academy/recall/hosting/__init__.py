"""The host's pages of the recall sheets."""
