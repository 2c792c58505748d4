"""The host's desk for packs: put stems in, arrange, audit, mend, preview, publish."""
