"""Species: one catalogue of codes, names and wood properties, and the groups the trade uses."""

from standmap.species.catalogue import Species, catalogue
from standmap.species.form_class import form_class_default
from standmap.species.groups import entry_codes, group_codes, species_groups, species_mask
from standmap.species.names import Resolved, UnknownSpeciesError, lookup, resolve

__all__ = [
    "Resolved",
    "Species",
    "UnknownSpeciesError",
    "catalogue",
    "entry_codes",
    "form_class_default",
    "group_codes",
    "lookup",
    "resolve",
    "species_groups",
    "species_mask",
]
