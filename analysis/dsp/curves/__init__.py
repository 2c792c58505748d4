"""The curves that settings imply, from published formulas: no sound is read here, only numbers."""
