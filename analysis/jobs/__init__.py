"""The durable job table, its leases and its sweep; queue messages are only doorbells."""
