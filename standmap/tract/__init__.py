"""The tract: its file, the readers of everything it names, the checks, and the ledger."""

from standmap.tract.ground import Ground
from standmap.tract.ledger import Ledger, LedgerEntry
from standmap.tract.reading import check_tract, read_tract, remarks
from standmap.tract.sample import sample_folder, write_sample
from standmap.tract.settings import Settings
from standmap.tract.tract import Tract
from standmap.tract.tract_file import is_uncruised
from standmap.tract.uncruised import read_ground
from standmap.tract.water import no_water

__all__ = [
    "Ground",
    "Ledger",
    "LedgerEntry",
    "Settings",
    "Tract",
    "check_tract",
    "is_uncruised",
    "no_water",
    "read_ground",
    "read_tract",
    "remarks",
    "sample_folder",
    "write_sample",
]
