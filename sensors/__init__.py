"""What runs at the probe's end, and the wire format that nodes and the monitor share."""
