"""Match plans, listening copies and the booth that plays them."""
