"""Where a node's samples come from."""
