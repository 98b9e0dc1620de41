"""What comparison, console and voting share: states of blocks, causes, episodes, what to copy again."""
