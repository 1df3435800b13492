"""The board: pages that read the record and draw; they decide nothing."""
