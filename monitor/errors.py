"""The error tree of the monitor.

::

    MonitorError
    ├── ConfigError      settings wrong; the text names file, line or key, and the fix
    ├── InputError       a file or argument given by a person is wrong; the text says what to do
    ├── StoreError       the record is unreadable, unwritable or of a later version
    │   └── DamageError  what was read from it is not what was written
    ├── ArchiveError     the archive cannot be reached or does not take what it is given
    ├── DeliveryError    a message could not be handed over
    └── WeatherError     a weather service gives no answer of use

A malformed message from a node is no error of ours: it is a `sensors.wire.Reject`, kept and
counted. Physics raises `ValueError` where an argument is outside the published range.
"""


class MonitorError(Exception):
    """Base of every error that the monitor raises on purpose; its text is for a person."""


class ConfigError(MonitorError):
    """The settings cannot be used; the text names the file, the key and the fix."""


class InputError(MonitorError):
    """A file or an argument cannot be used; the text says what to do."""


class StoreError(MonitorError):
    """The record cannot be read or written, or belongs to a later version of Sillkeep."""


class MeanwhileError(StoreError):
    """Something was changed by somebody else since it was read; nothing was written."""


class DamageError(StoreError):
    """Part of the record is not what was written; the text says which part."""


class ArchiveError(MonitorError):
    """The archive does not take or give anything now; the record has all of it."""


class DeliveryError(MonitorError):
    """A message could not be handed over; it stays in the outbox."""


class WeatherError(MonitorError):
    """A weather service gives no answer of use; its hours stay unknown."""
