"""Cities, ZIP codes and coordinates. Coordinates are checked against common knowledge of where the cities lie."""

from __future__ import annotations

from importlib import resources

import pytest

from router.formats.gazetteer import PlaceNotResolved, cities, find_city, fold
from router.formats.places import resolve_place
from router.formats.regions import REGIONS


@pytest.mark.parametrize(
    ("text", "country", "name", "latitude", "longitude"),
    [
        ("Cincinnati", "US", "Cincinnati", 39.1, -84.5),
        ("cologne", "DE", "Köln", 50.9, 7.0),
        ("KÖLN", "DE", "Köln", 50.9, 7.0),
        ("Koln", "DE", "Köln", 50.9, 7.0),
        ("München", "DE", "Munich", 48.1, 11.6),
        ("New York", "US", "New York City", 40.7, -74.0),
        ("St. Louis", "US", "St. Louis", 38.6, -90.2),
        ("Saint Louis", "US", "St. Louis", 38.6, -90.2),
        ("Springfield (Illinois)", "US", "Springfield", 39.8, -89.6),
        ("Springfield (IL)", "US", "Springfield", 39.8, -89.6),
        ("Springfield, IL", "US", "Springfield", 39.8, -89.6),
        ("London (Ontario)", "CA", "London", 43.0, -81.2),
        ("Paris", "FR", "Paris", 48.9, 2.3),
        ("Łódź", "PL", "Łódź", 51.8, 19.5),
        ("Lodz", "PL", "Łódź", 51.8, 19.5),
        ("Göteborg", "SE", "Gothenburg", 57.7, 12.0),
        ("Goteborg", "SE", "Gothenburg", 57.7, 12.0),
    ],
)
def test_city(text: str, country: str, name: str, latitude: float, longitude: float) -> None:
    city = find_city(text, country)
    assert city.name == name
    assert abs(city.latitude_deg - latitude) < 0.1
    assert abs(city.longitude_deg - longitude) < 0.1


def test_ambiguous_city_lists_candidates_with_region_country_and_people() -> None:
    with pytest.raises(PlaceNotResolved) as caught:
        find_city("Springfield", "US")
    text = str(caught.value)
    assert "Springfield (Missouri), US" in text
    assert "Springfield (Massachusetts), US" in text
    assert "people" in text
    assert "name the region in brackets" in text


def test_dominant_city_needs_no_region() -> None:
    # Portland in Oregon has more than five times the people of the one in Maine.
    assert find_city("Portland", "US").admin1 == "OR"
    assert find_city("Portland (Maine)", "US").admin1 == "ME"


def test_region_without_such_a_city() -> None:
    with pytest.raises(PlaceNotResolved, match="a region Portland lies in"):
        find_city("Portland (Ohio)", "US")


def test_unknown_city_has_a_near_match_or_an_elsewhere() -> None:
    with pytest.raises(PlaceNotResolved, match=r"did you mean Cincinnati \(Ohio\), US"):
        find_city("Cincinati", "US")
    with pytest.raises(PlaceNotResolved, match=r"Zaragoza.*ES"):
        find_city("Zaragoza", "DE")


def test_us_zip_code_goes_before_the_city() -> None:
    place = resolve_place("US", "Millrace yard", "45202-1234", None, None)
    # ZIP 45202 is downtown Cincinnati (package zipcodes: 39.1072 north).
    assert (place.name, place.postcode) == ("Millrace yard", "45202-1234")
    assert abs(place.latitude_deg - 39.107) < 0.01


def test_coordinates_go_before_everything() -> None:
    place = resolve_place("DE", "Nowhere at all", "00000", 50.5, 7.5)
    assert (place.latitude_deg, place.longitude_deg, place.name) == (50.5, 7.5, "Nowhere at all")
    assert resolve_place("DE", None, None, 0.0, 0.0).name == "0.0000 0.0000"


@pytest.mark.parametrize("code", ["1234", "ABCDE", "00000", "45202-12"])
def test_zip_code_that_is_none(code: str) -> None:
    with pytest.raises(PlaceNotResolved, match="a US ZIP code in use"):
        resolve_place("US", None, code, None, None)


def test_post_code_elsewhere_is_kept_but_does_not_decide() -> None:
    assert resolve_place("DE", "Aachen", "52062", None, None).postcode == "52062"
    with pytest.raises(PlaceNotResolved, match="looked up in the US only, not in DE"):
        resolve_place("DE", None, "52062", None, None)


def test_every_row_is_sound() -> None:
    rows = [c for found in cities().values() for c in found]
    assert len(rows) > 30_000
    assert all(-90 <= c.latitude_deg <= 90 and -180 <= c.longitude_deg <= 180 for c in rows)
    assert all(c.population >= 15_000 and len(c.country) == 2 and fold(c.name) for c in rows)


def test_size_of_the_extract() -> None:
    packed = resources.files("router.formats").joinpath("gazetteer.tsv.gz").read_bytes()
    assert len(packed) < 1_500_000


# A city of each region whose code was typed from memory (common knowledge).
CITY_OF_REGION = {
    "CA": "01 Calgary,02 Vancouver,03 Winnipeg,04 Moncton,05 St. John's,07 Halifax,08 Toronto,09 Charlottetown,"
    "10 Montréal,11 Saskatoon,12 Whitehorse,13 Yellowknife",
    "DE": "01 Stuttgart,02 Munich,03 Bremen,04 Hamburg,05 Wiesbaden,06 Hannover,07 Köln,08 Mainz,09 Saarbrücken,"
    "10 Kiel,11 Potsdam,12 Rostock,13 Dresden,14 Magdeburg,15 Erfurt,16 Berlin",
    "GB": "ENG London,NIR Belfast,SCT Glasgow,WLS Cardiff",
    "AU": "01 Canberra,02 Sydney,03 Darwin,04 Brisbane,05 Adelaide,06 Hobart,07 Melbourne,08 Perth",
    "US": "OH Cincinnati,TX Houston,CA Los Angeles,IL Chicago,WA Seattle,GA Atlanta,MN Minneapolis,NV Las Vegas",
}


@pytest.mark.parametrize(
    ("country", "code", "city"),
    [(c, *entry.split(" ", 1)) for c, text in CITY_OF_REGION.items() for entry in text.split(",")],
)
def test_region_names(country: str, code: str, city: str) -> None:
    named = REGIONS[country][code]
    assert find_city(f"{city} ({named})", country).admin1 == code
