"""Several dumps of one drive: where they agree, which of them to distrust, and the best that can be made of them."""
