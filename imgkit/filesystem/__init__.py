"""What lies at the start of a partition, told from well-known marks only."""
