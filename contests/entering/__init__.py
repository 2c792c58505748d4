"""Enter, replace, withdraw; the receipt."""
