"""What every room uses: runs of blocks, findings and their meanings, errors, digests, the clock, text."""
