"""Every error this project raises on purpose. Each is also the nearest builtin."""


class DryholdError(Exception):
    """Something a person can mend; its text says where, what was expected and what was found."""


class SettingsError(DryholdError, ValueError):
    """A settings file that cannot be used; carries every fault found in it."""

    def __init__(self, faults: list[str]) -> None:
        self.faults = faults
        super().__init__("\n".join(faults))


class RecordingError(DryholdError, ValueError):
    """A recording with nothing usable in it."""


class SensorError(DryholdError, OSError):
    """A sensor that could not be read; its text becomes the reason in the reading."""


class StoreError(DryholdError, OSError):
    """The database could not be opened, migrated, read or written."""


class DamagedError(StoreError):
    """The database's file holds something else than was written."""


class AccessError(DryholdError, PermissionError):
    """An access code that cannot be set, read or accepted."""


class DeliveryError(DryholdError, ConnectionError):
    """A message was not accepted by its receiver; it stays in the outbox."""
