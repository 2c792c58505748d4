"""Recall sheets: the settings of a chain, device by device, and the curves that they imply."""
