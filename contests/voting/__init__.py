"""The public vote: prepared and counted by the host; a ballot for each member; what is odd about ballots."""
