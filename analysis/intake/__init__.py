"""The door for every upload: received, hashed, probed, sealed, and handed out again."""
