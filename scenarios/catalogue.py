"""The catalogue of part models the demo orders are drawn from: file, fitting alloys, usual quantities, trade."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Alloy = Literal["IN718", "IN625", "AlSi10Mg", "Ti64", "CoCr", "17-4PH", "316L"]
Trade = Literal[
    "pumps and valves",
    "turbomachinery",
    "dental",
    "implants",
    "tooling",
    "heat exchange",
    "fluid power",
    "rail",
    "food machinery",
    "space and air",
    "general",
]


@dataclass(frozen=True, slots=True)
class CatalogueEntry:
    """One part model of the demo scenario.

    ``part`` is its short key (the file name without suffix), ``file`` its name in ``scenarios/demo/models``,
    ``alloys`` what it is sensibly ordered in (likeliest first), ``quantity_low`` to ``quantity_high`` pieces an order.
    Quantities and alloys: common practice, no source. ``closed`` and ``powder_trap`` say which models carry a
    deliberate defect for the buildability review to find.
    """

    part: str
    title: str
    file: str
    alloys: tuple[Alloy, ...]
    quantity_low: int
    quantity_high: int
    trade: Trade
    closed: bool = True
    powder_trap: bool = False
    loose_pieces: int = 1

    def __post_init__(self) -> None:
        if not 1 <= self.quantity_low <= self.quantity_high:
            raise ValueError(
                f"{self.part}: quantities {self.quantity_low} to {self.quantity_high} are not a range from 1 up"
            )
        if not self.alloys:
            raise ValueError(f"{self.part}: needs at least one alloy")


def _stl(part: str, title: str, alloys: tuple[Alloy, ...], quantity: tuple[int, int], trade: Trade) -> CatalogueEntry:
    return CatalogueEntry(part, title, f"{part}.stl", alloys, quantity[0], quantity[1], trade)


def _3mf(part: str, title: str, alloys: tuple[Alloy, ...], quantity: tuple[int, int], trade: Trade) -> CatalogueEntry:
    return CatalogueEntry(part, title, f"{part}.3mf", alloys, quantity[0], quantity[1], trade)


CATALOGUE: tuple[CatalogueEntry, ...] = (
    # Pumps and valves
    _3mf("pump-impeller-closed", "Closed pump impeller", ("17-4PH", "316L"), (1, 12), "pumps and valves"),
    _3mf("pump-impeller-open", "Half-open pump impeller", ("316L", "17-4PH", "Ti64"), (1, 25), "pumps and valves"),
    _stl("inducer-three-blade", "Three-blade inducer", ("17-4PH", "IN718", "Ti64"), (1, 10), "pumps and valves"),
    _stl("volute-tongue-insert", "Volute throat insert", ("316L", "IN625"), (1, 6), "pumps and valves"),
    _stl("valve-cage-windows", "Windowed flow cage", ("17-4PH", "IN718"), (1, 20), "pumps and valves"),
    _stl("valve-plug-contoured", "Contoured valve plug", ("17-4PH", "CoCr", "316L"), (1, 20), "pumps and valves"),
    _stl("valve-seat-ring", "Valve seat ring", ("CoCr", "17-4PH", "316L"), (2, 40), "pumps and valves"),
    _3mf("trim-disc-tortuous", "Pressure-letdown trim disc", ("IN718", "17-4PH"), (4, 60), "pumps and valves"),
    CatalogueEntry(
        "handwheel-hollow",
        "Handwheel with hollow rim",
        "handwheel-hollow.stl",
        ("AlSi10Mg", "316L"),
        1,
        30,
        "pumps and valves",
        powder_trap=True,
    ),
    _stl("pneumatic-valve-block", "Air valve block", ("AlSi10Mg", "316L"), (4, 80), "fluid power"),
    # Turbomachinery
    _stl("turbine-blade-cooled", "Cooled turbine blade", ("IN718", "IN625", "CoCr"), (6, 90), "turbomachinery"),
    _stl("vane-segment-triple", "Stator segment of three vanes", ("IN718", "IN625"), (4, 36), "turbomachinery"),
    _3mf("compressor-blisk", "Compressor bladed disc", ("Ti64", "IN718"), (1, 6), "turbomachinery"),
    _3mf("radial-turbine-wheel", "Radial turbine wheel", ("IN718",), (1, 24), "turbomachinery"),
    _stl("axial-swirler", "Burner swirler", ("IN625", "IN718"), (6, 120), "turbomachinery"),
    _stl("fuel-nozzle-body", "Fuel nozzle body", ("IN625", "IN718", "CoCr"), (4, 96), "turbomachinery"),
    _stl("heat-shield-tile", "Combustor heat shield tile", ("IN625", "IN718"), (8, 160), "turbomachinery"),
    _stl("honeycomb-seal-segment", "Honeycomb seal segment", ("IN625", "IN718"), (8, 120), "turbomachinery"),
    # Dental and implants
    _stl("crown-coping-molar", "Molar crown coping", ("CoCr",), (20, 800), "dental"),
    _stl("crown-coping-incisor", "Incisor crown coping", ("CoCr",), (20, 800), "dental"),
    _3mf("dental-bridge-three-unit", "Three-unit bridge frame", ("CoCr", "Ti64"), (5, 200), "dental"),
    _stl("implant-abutment-angled", "Angled implant abutment", ("Ti64", "CoCr"), (20, 500), "dental"),
    _3mf("partial-denture-framework", "Partial denture framework", ("CoCr", "Ti64"), (1, 60), "dental"),
    _3mf("hip-cup", "Hip cup with pitted surface", ("Ti64",), (6, 80), "implants"),
    _stl("spinal-cage", "Interbody spinal cage", ("Ti64",), (20, 300), "implants"),
    _stl("bone-plate-curved", "Curved bone plate", ("Ti64", "316L"), (6, 120), "implants"),
    _3mf("cranial-mesh-plate", "Pierced cranial plate", ("Ti64",), (1, 4), "implants"),
    # Tooling
    _3mf("core-insert-conformal", "Cooled core insert", ("17-4PH", "316L"), (1, 8), "tooling"),
    _stl("cavity-insert-conformal", "Cooled cavity insert", ("17-4PH",), (1, 4), "tooling"),
    _3mf("sprue-bushing-cooled", "Cooled sprue bush", ("17-4PH", "316L"), (1, 12), "tooling"),
    _stl("gripper-finger-hollow", "Hollow gripper finger", ("AlSi10Mg", "Ti64"), (2, 40), "tooling"),
    # Heat exchange and fluid power
    _3mf("gyroid-exchanger-core", "Gyroid exchanger core", ("AlSi10Mg", "IN625", "316L"), (1, 16), "heat exchange"),
    _3mf("tube-bundle-exchanger", "Twisted-tube bundle exchanger", ("316L", "IN625"), (1, 6), "heat exchange"),
    _3mf(
        "exchanger-header", "Exchanger header with guide vanes", ("AlSi10Mg", "316L", "IN625"), (1, 20), "heat exchange"
    ),
    _3mf("pin-fin-cold-plate", "Pin-fin cold plate", ("AlSi10Mg",), (4, 150), "heat exchange"),
    _stl(
        "hydraulic-manifold-branched",
        "Branched hydraulic manifold",
        ("17-4PH", "AlSi10Mg", "Ti64"),
        (1, 24),
        "fluid power",
    ),
    _3mf("exhaust-collector-four", "Four-into-one collector", ("IN625", "IN718", "Ti64"), (1, 8), "general"),
    # Rail and food machinery
    _stl("brake-lever-offset", "Offset brake lever", ("17-4PH", "316L"), (1, 16), "rail"),
    _stl("damper-bracket-rail", "Damper bracket", ("316L", "17-4PH", "AlSi10Mg"), (1, 12), "rail"),
    _stl("door-selector-fork", "Door selector fork", ("17-4PH", "AlSi10Mg"), (2, 40), "rail"),
    _3mf("gearbox-housing-half", "Gearbox housing half", ("AlSi10Mg",), (1, 4), "rail"),
    CatalogueEntry(
        "inspection-cover",
        "Domed inspection cover",
        "inspection-cover.stl",
        ("AlSi10Mg", "316L"),
        1,
        24,
        "rail",
        closed=False,
    ),
    _stl("spur-gear-webbed", "Webbed spur gear", ("17-4PH", "316L"), (1, 30), "food machinery"),
    _stl("auger-screw", "Feed auger", ("316L", "17-4PH"), (1, 16), "food machinery"),
    _stl("drive-sprocket", "Drive sprocket", ("17-4PH", "316L"), (2, 40), "food machinery"),
    _stl("cutter-blade-curved", "Curved cutter blade", ("17-4PH",), (3, 60), "food machinery"),
    _3mf("filling-nozzle-six", "Six-jet filling nozzle", ("316L",), (4, 60), "food machinery"),
    _stl("extrusion-die-pasta", "Pasta extrusion die", ("316L", "17-4PH"), (1, 12), "food machinery"),
    _stl("conveyor-chain-link", "Conveyor chain link", ("316L", "17-4PH"), (40, 400), "food machinery"),
    CatalogueEntry(
        "lifting-chain-links",
        "Three joined chain links",
        "lifting-chain-links.stl",
        ("316L", "17-4PH", "Ti64"),
        5,
        80,
        "general",
        loose_pieces=3,
    ),
    # Space and air
    _stl("satellite-bracket-branched", "Branched antenna bracket", ("Ti64", "AlSi10Mg"), (1, 8), "space and air"),
    _stl("waveguide-bend-twist", "Twisted waveguide bend", ("AlSi10Mg",), (1, 24), "space and air"),
    _3mf("corrugated-horn", "Corrugated feed horn", ("AlSi10Mg",), (1, 16), "space and air"),
    _stl("drone-arm-shell", "Hollow motor arm", ("AlSi10Mg", "Ti64"), (4, 100), "space and air"),
    _3mf("thrust-chamber-cooled", "Cooled thrust chamber", ("IN718", "IN625"), (1, 6), "space and air"),
    _3mf("lattice-panel-hollow", "Lattice-cored panel", ("AlSi10Mg", "Ti64"), (1, 20), "space and air"),
    # Long, tall and bulky
    _stl("sampling-lance-rod", "Sampling lance", ("316L", "IN625"), (1, 30), "general"),
    _3mf("static-mixer-lance", "Static mixer lance", ("IN625", "316L"), (1, 6), "general"),
    _3mf("pump-casing-cover", "Pump casing cover", ("316L", "17-4PH", "IN625"), (1, 3), "pumps and valves"),
    _3mf("vaned-diffuser-ring", "Vaned diffuser ring", ("17-4PH", "316L", "IN718"), (1, 4), "turbomachinery"),
)
"""Every part model of the demo scenario, by trade."""


def entry_of(part: str) -> CatalogueEntry:
    """The entry with that key. Raises ``KeyError`` naming the key when there is none."""
    for entry in CATALOGUE:
        if entry.part == part:
            return entry
    raise KeyError(f"no part {part!r} in the catalogue")
