"""Hand-broken networks and order books, one fault each unless the name says more."""

from __future__ import annotations

from small_folder import Broken, Said

N, O = "network.yaml", "orders.csv"  # noqa: E741 (two letters keep the table readable)
M02 = 'sites[0] "OHIO" machines[1] "M02"'
R01 = 'sites[1] "RHINE" machines[0] "R01"'

NETWORK_CASES = (
    Broken(
        "alloy of a machine misspelt",
        [Said(N, R01, "alloys[0]", "'316k'", "did you mean '316l'")],
        network=[
            ("alloys: [316l, in718]\n        loaded_alloy: 316l", "alloys: [316k, 316l]\n        loaded_alloy: 316l")
        ],
    ),
    Broken(
        "loaded alloy the machine may not run",
        [Said(N, M02, "loaded_alloy", "'in718'", "one of ti64")],
        network=[("loaded_alloy: ti64", "loaded_alloy: in718")],
    ),
    Broken(
        "machine named twice",
        [Said(N, 'machines[1] "M01"', "id", "'M01' a second time", "no other machine")],
        network=[("- id: M02", "- id: M01")],
    ),
    Broken(
        "field left out",
        [Said(N, R01, "recoat_s", "nothing", "seconds to recoat a layer")],
        network=[("        recoat_s: 9\n", "")],
    ),
    Broken(
        "field misspelt, so one missing and one unknown",
        [
            Said(N, R01, "height_mm", "nothing", "greatest build height"),
            Said(N, R01, "heigth_mm", "not known", "did you mean 'height_mm'"),
        ],
        network=[("height_mm: 220", "heigth_mm: 220")],
    ),
    Broken(
        "negative length",
        [Said(N, R01, "height_mm", "'-220'", "greater than 0")],
        network=[("height_mm: 220", "height_mm: -220")],
    ),
    Broken(
        "fractions of a cent",
        [Said(N, R01, "rate_per_h", "'39.005'", "at most two decimals")],
        network=[("rate_per_h: 39.00", "rate_per_h: 39.005")],
    ),
    Broken(
        "not a number",
        [Said(N, 'sites[1] "RHINE"', "grid_kg_co2e_per_kwh", "'.nan'", "a number at least 0")],
        network=[("grid_kg_co2e_per_kwh: 0.38", "grid_kg_co2e_per_kwh: .nan")],
    ),
    Broken(
        "infinite and gigantic numbers",
        [
            Said(N, R01, "height_mm", "'.inf'", "greater than 0"),
            Said(N, R01, "power_kw", "'3.2E+999999'", "a number at least 0"),
        ],
        network=[("height_mm: 220", "height_mm: .inf"), ("power_kw: 3.2", "power_kw: 3.2e999999")],
    ),
    Broken(
        "several lasers without their efficiency",
        [Said(N, M02, "laser_efficiency", "nothing", "2 lasers reach together")],
        network=[("        laser_efficiency: 0.85\n", "")],
    ),
    Broken(
        "round plate that is not",
        [Said(N, f"{R01} plate", "depth_mm", "'180.0'", "200")],
        network=[("width_mm: 200, depth_mm: 200", "width_mm: 200, depth_mm: 180")],
    ),
    Broken(
        "maintenance that ends before it starts",
        [Said(N, f"{M02} maintenance[0]", "end", "2027-03-09", "after the start, 2027-03-10")],
        network=[("end: 2027-03-11T18:00", "end: 2027-03-09T18:00")],
    ),
    Broken(
        "unknown time zone",
        [Said(N, 'sites[1] "RHINE"', "time_zone", "'Europe/Berln'", "did you mean 'Europe/Berlin'")],
        network=[("time_zone: Europe/Berlin", "time_zone: Europe/Berln")],
    ),
    Broken(
        "the network's own time zone unknown, told once",
        [Said(N, "line", "time_zone", "'America/Newyork'", "did you mean 'America/New_York'")],
        network=[("time_zone: America/New_York        #", "time_zone: America/Newyork #")],
    ),
    Broken(
        "unknown holiday subdivision",
        [Said(N, 'sites[1] "RHINE" holidays', "subdivision", "'NRW'", "a subdivision of DE")],
        network=[("subdivision: NW", "subdivision: NRW")],
    ),
    Broken(
        "unknown holiday country",
        [Said(N, 'sites[0] "OHIO" holidays', "country", "'QQ'", "whose holidays are known")],
        network=[("holidays: {country: US, subdivision: OH}", "holidays: {country: QQ}")],
    ),
    Broken(
        "site in a city nobody knows",
        [Said(N, 'sites[1] "RHINE" place', "city", "'Aachn'", "did you mean Aachen")],
        network=[("city: Aachen", "city: Aachn")],
    ),
    Broken(
        "work centre for a step that does not exist",
        [Said(N, 'sites[1] "RHINE" work_centres', "machinng", "'machinng'", "did you mean 'machining'")],
        network=[("machining: {lot_min: 75", "machinng: {lot_min: 75")],
    ),
    Broken(
        "plate minutes for a step done to lots",
        [
            Said(N, 'sites[0] "OHIO" work_centres heat_treatment', "plate_min", "'960'", "lots of pieces"),
            Said(N, 'sites[0] "OHIO" work_centres heat_treatment', "lot_min", "nothing", "how long heat_treatment"),
        ],
        network=[("heat_treatment: {lot_min: 960", "heat_treatment: {plate_min: 960")],
    ),
    Broken(
        "outside service for an unknown site",
        [Said(N, 'outside_services[0] "hip-east"', "sites[0]", "'OHIA'", "did you mean 'OHIO'")],
        network=[("step: hip\n    sites: [OHIO]", "step: hip\n    sites: [OHIA]")],
    ),
    Broken(
        "weekdays nobody knows",
        [Said(N, 'outside_services[0] "hip-east"', "pickup_days", "'mon, thursday'", "weekdays such as")],
        network=[("pickup_days: mon, thu", "pickup_days: mon, thursday")],
    ),
    Broken(
        "time of day that is none",
        [Said(N, 'carriers[0] "parcel"', "cutoff", "'24:30'", "a time of day")],
        network=[("cutoff: 16:30", "cutoff: 24:30")],
    ),
    Broken(
        "pause outside its shift",
        [Said(N, 'sites[1] "RHINE" shifts[0]', "pauses", "15:15 to 15:45", "pauses inside the shift")],
        network=[("{start: 12:00, end: 12:30}", "{start: 15:15, end: 15:45}")],
    ),
    Broken(
        "zones out of order",
        [Said(N, 'carriers[0] "parcel"', "zones", "250, 200, 4500", "ascending")],
        network=[("up_to_km: 900", "up_to_km: 200")],
    ),
    Broken(
        "mode of transport nobody offers",
        [Said(N, 'carriers[1] "air-express"', "mode", "'sea'", "one of road, air")],
        network=[("mode: air", "mode: sea")],
    ),
    Broken(
        "changeover of an unknown family",
        [Said(N, "changeovers[2]", "leaving", "'steal'", "did you mean 'steel'")],
        network=[("leaving: steel", "leaving: steal")],
    ),
    Broken(
        "parameter set that is not the alloy's",
        [Said(N, 'alloys[2] "316l"', "default_parameter_set", "'316l-55'", "did you mean '316l-50'")],
        network=[("powder_per_kg: 38.00", "powder_per_kg: 38.00\n    default_parameter_set: 316l-55")],
    ),
    Broken(
        "credential that ends before it begins",
        [Said(N, 'sites[0] "OHIO" credentials[1]', "valid_until", "2026-06-30", "on or after valid_from")],
        network=[("valid_until: 2028-06-30", "valid_from: 2027-01-01, valid_until: 2026-06-30")],
    ),
    Broken(
        "country by name in customs",
        [Said(N, "customs areas", "EU[1]", "'France'", "France is FR")],
        network=[("[DE, FR, NL", "[DE, France, NL")],
    ),
    Broken(
        "country in two customs areas",
        [Said(N, "customs areas", "BX[0]", "'NL', also in EU", "one area only")],
        network=[("PL, AT]", "PL, AT], BX: [NL]")],
    ),
    Broken(
        "customs area named as a country outside it",
        [Said(N, "customs areas", "CA", "'CA' without that country", "CA in it")],
        network=[("PL, AT]", "PL, AT], CA: [MX]")],
    ),
    Broken(
        "circuity without the rest of the world",
        [Said(N, "circuity", "*", "nothing", "a factor for '*'")],
        network=[(', "*": 1.46', "")],
    ),
    Broken(
        "key given twice",
        [Said(N, "line", "currency", "second time", "every key once")],
        network=[("currency: USD", "currency: USD\ncurrency: USD")],
    ),
    Broken(
        "other edition of the format",
        [Said(N, "line", "format", "'platewright network 2'", "platewright network 1")],
        network=[("format: platewright network 1", "format: platewright network 2")],
    ),
    Broken(
        "text with a control character",
        [Said(N, "line", "name", r"'Two\x07 shops'", "without control characters")],
        network=[("name: Two shops", 'name: "Two\\a shops"')],
    ),
    Broken(
        "list where fields belong",
        [Said(N, R01, "plate", "a list of 2", "a group of fields")],
        network=[("plate: {width_mm: 200, depth_mm: 200, round: true, edge_margin_mm: 6}", "plate: [200, 200]")],
    ),
)

ORDER_CASES = (
    Broken(
        "quantity zero",
        [Said(O, "row 2", "quantity", "'0'", "a whole number from 1")],
        orders=[(",in718,,4,", ",in718,,0,")],
    ),
    Broken(
        "quantity negative",
        [Said(O, "row 2", "quantity", "'-4'", "a whole number from 1")],
        orders=[(",in718,,4,", ",in718,,-4,")],
    ),
    Broken(
        "quantity with a fraction",
        [Said(O, "row 2", "quantity", "'4.5'", "a whole number from 1")],
        orders=[(",in718,,4,", ",in718,,4.5,")],
    ),
    Broken(
        "quantity gigantic",
        [Said(O, "row 2", "quantity", "'9999", "to 100000")],
        orders=[(",in718,,4,", f",in718,,{'9' * 5000},")],
    ),
    Broken(
        "quantity in digits of another script",
        [Said(O, "row 2", "quantity", "'\u0664'", "a whole number from 1")],
        orders=[(",in718,,4,", ",in718,,\u0664,")],
    ),
    Broken(
        "unknown alloy",
        [Said(O, "row 4", "alloy", "'316i'", "did you mean '316l'")],
        orders=[("cap.stl,mm,316l", "cap.stl,mm,316i")],
    ),
    Broken(
        "parameter set of another alloy",
        [Said(O, "row 3", "parameter_set", "'ti64-60'", "a parameter set of in718")],
        orders=[("in718-40,6", "ti64-60,6")],
    ),
    Broken(
        "model that is not there",
        [Said(O, "row 4", "model", "'cup.stl', which is not there", "did you mean 'cap.stl'")],
        orders=[("cap.stl", "cup.stl")],
    ),
    Broken(
        "model outside the folder",
        [Said(O, "row 4", "model", "'../models/cap.stl'", "without any folder")],
        orders=[("cap.stl", "../models/cap.stl")],
    ),
    Broken(
        "model by absolute path",
        [Said(O, "row 4", "model", "'/etc/hosts.stl'", "without any folder")],
        orders=[("cap.stl", "/etc/hosts.stl")],
    ),
    Broken(
        "model by a path of another system",
        [Said(O, "row 4", "model", r"cap.stl'", "without any folder")],
        orders=[("cap.stl", "..\\models\\cap.stl")],
    ),
    Broken(
        "model of another kind",
        [Said(O, "row 4", "model", "'cap.step'", "ending in .stl or .3mf")],
        orders=[("cap.stl", "cap.step")],
    ),
    Broken(
        "STL without unit",
        [Said(O, "row 4", "unit", "nothing", "the unit of an STL file: one of mm")],
        orders=[("cap.stl,mm", "cap.stl,")],
    ),
    Broken(
        "one model in two units",
        [Said(O, "row 6", "unit", "'inch'", "'mm', as for the same model in row 2")],
        orders=[("Osterfeld Apparate,bracket.stl,mm", "Osterfeld Apparate,bracket.stl,inch")],
    ),
    Broken(
        "due before received",
        [Said(O, "row 4", "due", "'2027-02-17'", "not before received (2027-02-25)")],
        orders=[("2027-03-17", "2027-02-17")],
    ),
    Broken(
        "released before received",
        [Said(O, "row 9", "release", "2027-02-24", "not before received (2027-02-25")],
        orders=[("2027-02-25,2027-02-26,2027-03-15", "2027-02-25,2027-02-24,2027-03-15")],
    ),
    Broken(
        "date in another order",
        [Said(O, "row 4", "due", "'17.03.2027'", "a date such as 2027-03-15")],
        orders=[("2027-03-17", "17.03.2027")],
    ),
    Broken(
        "day that no calendar has",
        [Said(O, "row 4", "due", "'2027-02-30'", "a date such as 2027-03-15")],
        orders=[("2027-03-17", "2027-02-30")],
    ),
    Broken(
        "step nobody may order",
        [Said(O, "row 2", "condition", "'heat_treatment; milling'", "one of hip, heat_treatment, machining")],
        orders=[("heat_treatment; machining,2", "heat_treatment; milling,2")],
    ),
    Broken(
        "approved site that does not exist",
        [Said(O, "row 9", "approved_sites", "'RHIN'", "did you mean 'RHINE'")],
        orders=[("OHIO; RHINE", "OHIO; RHIN")],
    ),
    Broken(
        "line named twice",
        [Said(O, "row 3", "line", "'1001-1' a second time (first in row 2)", "no other line")],
        orders=[("1001-2,1001", "1001-1,1001")],
    ),
    Broken(
        "city of many",
        [Said(O, "row 11", "ship_to", "'Springfield'", "Springfield (Missouri), US")],
        orders=[("Louisville", "Springfield")],
    ),
    Broken(
        "post code outside the US",
        [Said(O, "row 5", "ship_postcode", "'44135'", "looked up in the US only, not in DE")],
        orders=[("8,Dortmund,DE,,", "8,,DE,44135,")],
    ),
    Broken(
        "ZIP code nobody has",
        [Said(O, "row 8", "ship_postcode", "'00001'", "a US ZIP code in use")],
        orders=[("35801", "00001")],
    ),
    Broken(
        "country by name",
        [Said(O, "row 9", "ship_country", "'France'", "two-letter country code")],
        orders=[("Lyon,FR", "Lyon,France")],
    ),
    Broken(
        "customer missing",
        [Said(O, "row 4", "customer", "nothing", "who ordered")],
        orders=[("1002,Tarn Valley Pumps,cap", "1002,,cap")],
    ),
    Broken(
        "formula for a customer",
        [Said(O, "row 9", "customer", "=HYPERLINK", "a value, not a formula")],
        orders=[("Atelier Vasseur", '"=HYPERLINK(""x"")"')],
    ),
    Broken(
        "price as text",
        [Said(O, "row 5", "late_per_day", "'90 USD'", "an amount of money")],
        orders=[("2027-03-12,machining,0,,,,no,no,no,90.00", "2027-03-12,machining,0,,,,no,no,no,90 USD")],
    ),
    Broken(
        "neither yes nor no",
        [Said(O, "row 7", "own_plate", "'y'", "true or false")],
        orders=[("heat_treatment,1,,,,yes,no,no", "heat_treatment,1,,,,y,no,no")],
    ),
    Broken(
        "row too short",
        [Said(O, "row 11", "", "22 cells", "23, as many as the heading has")],
        orders=[("2027-03-11,,0,,,,no,no,no,", "2027-03-11,,0,,,,no,no,no")],
    ),
    Broken(
        "column misspelt, so one missing and one unknown",
        [
            Said(O, "row 1", "quantity", "no such column", "a column 'quantity': pieces"),
            Said(O, "row 1", "quantitty", "not known", "did you mean 'quantity'"),
        ],
        orders=[("parameter_set,quantity,", "parameter_set,quantitty,")],
    ),
    Broken(
        "column given twice",
        [Said(O, "row 1", "unit", "a second time (first in column 5)", "every column once")],
        orders=[("alloy,parameter_set,quantity", "alloy,unit,quantity")],
    ),
    Broken(
        "control character in a name",
        [Said(O, "row 9", "customer", r"'Atelier\x1b Vasseur'", "without control characters")],
        orders=[("Atelier Vasseur", "Atelier\x1b Vasseur")],
    ),
)
