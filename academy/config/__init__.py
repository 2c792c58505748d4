"""Settings, addresses and the worker app. Names other rooms by string only."""
