"""The host's pages about members: who is here, what they hold, tiers, codes, lists from elsewhere."""
