"""What lies at the start of a partition, recognised by well-known marks only."""
