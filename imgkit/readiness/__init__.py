"""Go or no-go before the first boot: what the rooms below can tell, as one answer, and what only a person can check."""
