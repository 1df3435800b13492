"""Everything that decides or remembers."""
