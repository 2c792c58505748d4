"""Who gets which prize, and each hand-out followed to its end."""
