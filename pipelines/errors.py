"""Everything the pipelines refuse, each with a sentence that says what to do."""


class ShopspreadError(Exception):
    """Base of every error a user is meant to read. `str(error)` is one or two plain sentences."""


class UnreadableFile(ShopspreadError):
    """A waveform file cannot be turned into samples; the message names the reason and the remedy."""


class CannotOpen(UnreadableFile):
    """The disk or the network would not hand a file over; another attempt may succeed, so nothing is settled."""


class NotThisFormat(ShopspreadError):
    """A reader's `recognise` accepted a file that then proved to be of another format."""


class BadTable(ShopspreadError):
    """A table of the drop folder cannot be used at all (as opposed to single bad rows)."""


class BadFamily(ShopspreadError):
    """An engine family's definition contradicts itself (for example, no permutation)."""


class WarehouseError(ShopspreadError):
    """The warehouse cannot be opened, upgraded or written."""


class WriteConflict(WarehouseError):
    """Another writer landed in the same moment; nothing of this transaction was changed."""


class SettingConflict(WarehouseError):
    """Somebody else has changed a setting since it was looked at; nothing was written."""


class ThresholdConflict(WarehouseError):
    """Somebody else set a threshold for the same family since the caller last looked."""


class WaitingConflict(ShopspreadError):
    """Somebody else has decided about the same waiting thing meanwhile; nothing was written."""
