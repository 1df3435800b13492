"""Payloads of other makers -> readings: BTHome v2, the compact 11 bytes, mapped JSON."""


class FormatError(ValueError):
    """A payload that cannot be used; the text is one sentence that says why."""
