"""What stands in for a medium that is not at hand: seals, the sums of old machines, worksheets and their answers."""
