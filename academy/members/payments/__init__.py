"""Signed events from whatever takes the payments: grant a tier, or revoke it. No payment is taken here."""
