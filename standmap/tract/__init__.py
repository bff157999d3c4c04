"""The tract: its file, the readers of everything it names, the checks, and the ledger."""

from standmap.tract.ground import Ground
from standmap.tract.ledger import Ledger, LedgerEntry
from standmap.tract.reading import check_tract, read_tract
from standmap.tract.sample import sample_folder, write_sample
from standmap.tract.settings import Settings
from standmap.tract.tract import Tract
from standmap.tract.tract_file import is_uncruised
from standmap.tract.uncruised import read_ground

__all__ = [
    "Ground",
    "Ledger",
    "LedgerEntry",
    "Settings",
    "Tract",
    "check_tract",
    "is_uncruised",
    "read_ground",
    "read_tract",
    "sample_folder",
    "write_sample",
]
