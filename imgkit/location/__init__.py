"""Where a run of blocks lies: in which partition, at which address, on which known defect."""
