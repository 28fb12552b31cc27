"""Names of the first-level regions of a few countries by their GeoNames code.

The US codes are the postal abbreviations. The lists of the other countries are typed from memory
and checked in the tests by a city of each region. In other countries the GeoNames code itself is used.
"""

from __future__ import annotations

_US = (
    "AL Alabama,AK Alaska,AZ Arizona,AR Arkansas,CA California,CO Colorado,CT Connecticut,DE Delaware,"
    "DC District of Columbia,FL Florida,GA Georgia,HI Hawaii,ID Idaho,IL Illinois,IN Indiana,IA Iowa,KS Kansas,"
    "KY Kentucky,LA Louisiana,ME Maine,MD Maryland,MA Massachusetts,MI Michigan,MN Minnesota,MS Mississippi,"
    "MO Missouri,MT Montana,NE Nebraska,NV Nevada,NH New Hampshire,NJ New Jersey,NM New Mexico,NY New York,"
    "NC North Carolina,ND North Dakota,OH Ohio,OK Oklahoma,OR Oregon,PA Pennsylvania,RI Rhode Island,"
    "SC South Carolina,SD South Dakota,TN Tennessee,TX Texas,UT Utah,VT Vermont,VA Virginia,WA Washington,"
    "WV West Virginia,WI Wisconsin,WY Wyoming"
)
_CA = (
    "01 Alberta,02 British Columbia,03 Manitoba,04 New Brunswick,05 Newfoundland and Labrador,07 Nova Scotia,"
    "08 Ontario,09 Prince Edward Island,10 Quebec,11 Saskatchewan,12 Yukon,13 Northwest Territories,14 Nunavut"
)
_DE = (
    "01 Baden-Württemberg,02 Bavaria,03 Bremen,04 Hamburg,05 Hesse,06 Lower Saxony,07 North Rhine-Westphalia,"
    "08 Rhineland-Palatinate,09 Saarland,10 Schleswig-Holstein,11 Brandenburg,12 Mecklenburg-Vorpommern,"
    "13 Saxony,14 Saxony-Anhalt,15 Thuringia,16 Berlin"
)
_GB = "ENG England,NIR Northern Ireland,SCT Scotland,WLS Wales"
_AU = (
    "01 Australian Capital Territory,02 New South Wales,03 Northern Territory,04 Queensland,05 South Australia,"
    "06 Tasmania,07 Victoria,08 Western Australia"
)

REGIONS: dict[str, dict[str, str]] = {
    country: dict(entry.split(" ", 1) for entry in text.split(","))
    for country, text in {"US": _US, "CA": _CA, "DE": _DE, "GB": _GB, "AU": _AU}.items()
}


def region_name(country: str, code: str) -> str:
    """Name of a region, or its code where no name is known."""
    return REGIONS.get(country, {}).get(code, code)


def region_codes(country: str, text: str) -> tuple[str, ...]:
    """The codes a text may mean: a code itself or a name, case aside."""
    wanted = text.casefold()
    named = tuple(code for code, name in REGIONS.get(country, {}).items() if name.casefold() == wanted)
    return (*named, text.upper())
