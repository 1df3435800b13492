"""Invented units, their weather and their nodes; the truth about them is known."""
