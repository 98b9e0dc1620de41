"""What is on a medium: its size, its labels, what is used and what is blank, its digests on request."""
