"""Where should the next site stand?

Exact engines for location problems (SITING.md states them and proves their bounds).
"""

from router.whatif.siting.locate import Located, LocateParams, locate
from router.whatif.siting.problem import Location, LocationProblem, location_faults, location_value
from router.whatif.siting.simple import add_rule, plain_programme

__all__ = [
    "Located",
    "LocateParams",
    "Location",
    "LocationProblem",
    "add_rule",
    "locate",
    "location_faults",
    "location_value",
    "plain_programme",
]
