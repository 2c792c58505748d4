"""Practice mixes: how a member's own mix differs from the reference."""
