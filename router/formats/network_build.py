"""From the checked records of a network file to the values of the domain."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime

from router.domain.alloys import Alloy, ParameterSet
from router.domain.carriers import Carrier, Customs, Packaging, Zone
from router.domain.machines import ChangeoverRule, KeepOutZone, Machine, Maintenance, Plate
from router.domain.network import Coupon, Network
from router.domain.places import Place
from router.domain.sites import Credential, OutsideService, Pause, Shift, Site, Step, WorkCentre
from router.formats.model_machines import AlloyRecord, MachineRecord
from router.formats.model_network import CarrierRecord, NetworkRecord
from router.formats.model_sites import FURNACE_STEPS, CredentialRecord, OutsideServiceRecord, SiteRecord


def build_network(record: NetworkRecord, located: Mapping[int, Place]) -> Network:
    """The domain value of a faultless record; ``located`` holds the place of each site by position."""
    rules = record.rules
    now = record.now.astimezone(UTC)
    customs = Customs(
        tuple((c, area) for area, countries in record.customs.areas.items() for c in countries),
        record.customs.cost,
        record.customs.working_days,
    )
    return Network(
        name=record.name,
        currency=record.currency,
        now=now,
        sites=tuple(_site(s, located[k], customs) for k, s in enumerate(record.sites)),
        machines=tuple(_machine(m, s.id, now) for s in record.sites for m in s.machines),
        alloys=tuple(_alloy(a) for a in record.alloys),
        parameter_sets=tuple(
            ParameterSet(p.id, a.id, p.layer_mm, p.build_rate_cm3_h, p.support_density)
            for a in record.alloys
            for p in a.parameter_sets
        ),
        changeovers=tuple(ChangeoverRule(c.leaving, c.entering, c.hours, c.consumables) for c in record.changeovers),
        work_centres=tuple(w for s in record.sites for w in _work_centres(s)),
        outside_services=tuple(_service(o) for o in record.outside_services),
        carriers=tuple(_carrier(c) for c in record.carriers),
        packaging=Packaging(record.packaging.mass_fraction, record.packaging.fixed_kg, record.packaging.void_factor),
        customs=customs,
        circuity=tuple(record.circuity.items()),
        coupon=Coupon(record.coupon.side_mm, record.coupon.height_mm),
        carbon_cents_per_kg=rules.carbon_price_per_tonne / 1000,
        overhang_deg=rules.overhang_deg,
        powder_packing=rules.powder_packing,
        recoater_min_off_deg=rules.recoater_min_off_deg,
        recoater_long_ratio=rules.recoater_long_ratio,
        invented=record.invented,
    )


def _credentials(records: list[CredentialRecord]) -> tuple[Credential, ...]:
    return tuple(Credential(c.code, c.valid_from, c.valid_until) for c in records)


def _site(record: SiteRecord, place: Place, customs: Customs) -> Site:
    kept = record.holidays
    return Site(
        site_id=record.id,
        name=record.name,
        place=place,
        time_zone=record.time_zone,
        holiday_country=kept.country if kept else place.country,
        holiday_subdivision=kept.subdivision if kept else None,
        closures=tuple(sorted(set(record.closures))),
        shifts=tuple(
            Shift(s.days, s.start, s.end, tuple(Pause(p.start, p.end) for p in s.pauses)) for s in record.shifts
        ),
        labour_cents_per_h=record.labour_per_h,
        energy_cents_per_kwh=record.energy_per_kwh,
        grid_kg_co2e_per_kwh=record.grid_kg_co2e_per_kwh,
        credentials=_credentials(record.credentials),
    )


def _machine(record: MachineRecord, site_id: str, now: datetime) -> Machine:
    plate = record.plate
    return Machine(
        machine_id=record.id,
        site_id=site_id,
        model=record.model,
        plate=Plate(
            plate.width_mm,
            plate.depth_mm,
            plate.round,
            plate.edge_margin_mm,
            plate.spacing_mm,
            tuple(KeepOutZone(k.x_mm, k.y_mm, k.radius_mm) for k in plate.keep_outs),
        ),
        height_mm=record.height_mm,
        lasers=record.lasers,
        laser_efficiency=1.0 if record.laser_efficiency is None else record.laser_efficiency,
        recoat_s=record.recoat_s,
        setup_min=record.setup_min,
        cooldown_min=record.cooldown_min,
        load_min=record.load_min,
        unload_min=record.unload_min,
        rate_cents_per_h=record.rate_per_h,
        purge_cents=record.purge,
        gas_cents_per_h=record.gas_per_h,
        power_kw=record.power_kw,
        plate_cents=record.plate_cost,
        alloys=tuple(dict.fromkeys(record.alloys)),
        loaded_alloy_id=record.loaded_alloy,
        available_from=record.available_from.astimezone(UTC) if record.available_from else now,
        maintenance=tuple(
            Maintenance(m.start.astimezone(UTC), m.end.astimezone(UTC), m.why) for m in record.maintenance
        ),
    )


def _alloy(record: AlloyRecord) -> Alloy:
    return Alloy(
        alloy_id=record.id,
        name=record.name,
        family=record.family,
        density_g_cm3=record.density_g_cm3,
        powder_cents_per_kg=record.powder_per_kg,
        powder_loss_fraction=record.powder_loss_fraction,
        bed_loss_fraction=record.bed_loss_fraction,
        stress_relief=record.stress_relief,
        default_parameter_set_id=record.default_parameter_set or record.parameter_sets[0].id,
        combustible=record.combustible,
    )


def _work_centres(site: SiteRecord) -> list[WorkCentre]:
    return [
        WorkCentre(
            site_id=site.id,
            step=Step(step),
            attended=Step(step) not in FURNACE_STEPS if centre.attended is None else centre.attended,
            plate_min=centre.plate_min or 0.0,
            lot_min=centre.lot_min or 0.0,
            piece_min=centre.piece_min or 0.0,
            min_per_support_cm3=centre.min_per_support_cm3 or 0.0,
            rate_cents_per_h=centre.rate_per_h,
            fixed_cents=centre.fixed,
        )
        for step, centre in site.work_centres.items()
    ]


def _service(record: OutsideServiceRecord) -> OutsideService:
    return OutsideService(
        service_id=record.id,
        name=record.name,
        step=Step(record.step),
        site_ids=tuple(record.sites or ()),
        pickup_weekdays=record.pickup_days,
        pickup_time=record.pickup_time,
        lead_working_days=record.lead_working_days,
        return_time=record.return_time,
        lot_cents=record.lot,
        cents_per_kg=record.per_kg,
        credentials=_credentials(record.credentials),
    )


def _carrier(record: CarrierRecord) -> Carrier:
    return Carrier(
        carrier_id=record.id,
        name=record.name,
        by_air=record.mode == "air",
        cutoff=record.cutoff,
        dim_cm3_per_kg=record.dim_cm3_per_kg,
        max_chargeable_kg=record.max_chargeable_kg,
        kg_co2e_per_tonne_km=record.kg_co2e_per_tonne_km,
        factor_source=record.factor_source,
        zones=tuple(Zone(z.up_to_km, z.base, z.per_kg, z.transit_working_days) for z in record.zones),
    )
