"""A membrane that obeys solution-diffusion, written from the published equations and not from our code.

Water flux  Jw = A TCF (dP - dpi)   and salt flux  Js = B TCF (Cfb - Cp), solved for both at once with the
mean feed-brine concentration integrated numerically along the element (Lonsdale, Merten & Riley 1965, as in
every RO textbook). Osmotic pressure is van 't Hoff for sodium chloride. Temperature factor: form printed
with the thin-film table, K = 3020 below 25 °C and 2640 from there. Readings are an invented fleet.
"""

from dataclasses import dataclass

import numpy as np

from fleet.science.columns import MembraneType, PartRole, Parts, PerformanceReadings, Units, Water

PSI_PER_BAR = 14.503773773020923
SECTIONS = 40


@dataclass
class Conditions:
    """What the site imposes; arrays of one shape."""

    feed_psi: np.ndarray
    permeate_psi: np.ndarray
    temperature_c: np.ndarray
    feed_mg_l: np.ndarray
    recovery: np.ndarray


@dataclass
class Response:
    """What the membrane answers."""

    permeate_gpm: np.ndarray
    concentrate_gpm: np.ndarray
    permeate_mg_l: np.ndarray
    drop_psi: np.ndarray


def _true_factor(temperature_c):
    constant = np.where(temperature_c >= 25, 2640.0, 3020.0)
    return np.exp(constant * (1 / 298 - 1 / (273 + temperature_c)))


def _osmotic_psi(salt_mg_l, temperature_c):
    moles = 2 * salt_mg_l / 58_443
    return 0.93 * moles * 0.083145 * (273.15 + temperature_c) * PSI_PER_BAR


def respond(site: Conditions, water_permeability, salt_permeability, drop_coefficient, leak=0.0):
    """Flows at a set recovery (the concentrate valve is turned until it is reached).

    water_permeability [gpm/psi at 25 °C], salt_permeability [gpm at 25 °C], drop_coefficient [psi/gpm^1.5],
    leak = fraction of the permeate that is raw feed past a seal.
    """
    factor = _true_factor(site.temperature_c)
    permeate_mg_l = 0.03 * site.feed_mg_l
    drop = np.zeros_like(site.feed_psi)
    along = (np.arange(SECTIONS) + 0.5) / SECTIONS
    for _ in range(60):
        cut = site.recovery[..., None] * along
        local = (site.feed_mg_l[..., None] - cut * permeate_mg_l[..., None]) / (1 - cut)
        mean = local.mean(axis=-1)
        osmotic = _osmotic_psi(mean, site.temperature_c) - _osmotic_psi(permeate_mg_l, site.temperature_c)
        flow = water_permeability * factor * (site.feed_psi - drop / 2 - site.permeate_psi - osmotic)
        salt = salt_permeability * factor
        permeate_mg_l = salt * mean / (flow + salt)
        concentrate = flow * (1 / site.recovery - 1)
        thickness = (_viscosity(site.temperature_c) / _viscosity(25.0)) ** 0.5
        drop = drop_coefficient * thickness * (concentrate + flow / 2) ** 1.5
    past = leak * flow
    permeate_mg_l = (flow * permeate_mg_l + past * site.feed_mg_l) / (flow + past)
    return Response(flow + past, concentrate, permeate_mg_l, drop)


def _viscosity(temperature_c):
    """Water, mPa s: Vogel equation 0.02939 exp(507.88 / (T - 149.3)) with T in K."""
    return 0.02939 * np.exp(507.88 / (temperature_c + 273.15 - 149.3))


def to_readings(unit_row, read_at_d, site: Conditions, answer: Response, rng=None, noise=1.0):
    """Gauges as read, flattened to rows. With ``rng`` each gauge errs (1 sigma): flow 1.5 %, pressure
    0.7 psi, temperature 0.4 °C, conductivity 1.5 %."""

    def read(values, relative=0.0, absolute=0.0):
        values = np.broadcast_to(values, np.shape(read_at_d)).astype(float).ravel()
        if rng is None:
            return values
        error = rng.standard_normal(values.size) * noise
        return values * (1 + relative * error) + absolute * error

    nothing = np.full(np.size(read_at_d), np.nan)
    return PerformanceReadings(
        unit_row=np.broadcast_to(unit_row, np.shape(read_at_d)).ravel().astype(np.int64),
        read_at_d=np.asarray(read_at_d, dtype=float).ravel(),
        feed_pressure_psi=read(site.feed_psi, absolute=0.7),
        concentrate_pressure_psi=read(site.feed_psi - answer.drop_psi, absolute=0.7),
        permeate_pressure_psi=read(site.permeate_psi, absolute=0.7),
        feed_temperature_c=read(site.temperature_c, absolute=0.4),
        feed_conductivity_us_cm=read(site.feed_mg_l / 0.5, relative=0.015),
        permeate_conductivity_us_cm=read(answer.permeate_mg_l / 0.5, relative=0.015),
        permeate_flow_gpm=read(answer.permeate_gpm, relative=0.015),
        concentrate_flow_gpm=read(answer.concentrate_gpm, relative=0.015),
        sediment_inlet_psi=nothing,
        sediment_outlet_psi=nothing,
        chlorine_after_carbon_mg_l=nothing,
        saw_fines=np.zeros(np.size(read_at_d), dtype=bool),
    )


def some_units(count: int, recovery: float = 0.5) -> Units:
    """Treatment units that differ in nothing."""

    def each(value):
        return np.full(count, float(value))

    return Units(
        unit_id=np.arange(count, dtype=np.int64) + 1,
        site_source_row=np.full(count, -1, dtype=np.int64),
        supply_source_row=np.full(count, -1, dtype=np.int64),
        design_recovery=each(recovery),
        design_use_gal_per_day=each(300),
        design_permeate_gpm=each(1.0),
        commissioned_d=each(0),
        is_out_of_service=np.zeros(count, dtype=bool),
        idle_limit_days=each(7),
    )


def some_membranes(
    unit_row, installed_at_d, k_below_25=3020.0, k_from_25=2640.0, position_order=None
) -> Parts:
    """One polyamide membrane per given row."""
    unit_row = np.asarray(unit_row, dtype=np.int64)
    count = unit_row.size

    def each(value):
        return np.broadcast_to(np.asarray(value, dtype=float), (count,)).copy()

    unknown = each(np.nan)
    return Parts(
        part_id=np.arange(count, dtype=np.int64) + 1,
        unit_row=unit_row,
        position_order=np.arange(count, dtype=np.int64) if position_order is None else position_order,
        role=np.full(count, int(PartRole.MEMBRANE), dtype=np.int64),
        water=np.full(count, int(Water.PERMEATE), dtype=np.int64),
        installed_at_d=each(installed_at_d),
        made_on_d=unknown,
        rated_gal=unknown,
        rated_months=unknown,
        shelf_life_months=unknown,
        rating_chlorine_mg_l=unknown,
        chloramine_factor=unknown,
        bed_volume_ft3=unknown,
        rated_flow_gpm=unknown,
        terminal_drop_psi=unknown,
        clean_drop_psi=unknown,
        clean_drop_flow_gpm=unknown,
        rated_hardness_mg_l=unknown,
        hardness_capacity_grains=unknown,
        oxidant_tolerance_mg_h_l=unknown,
        membrane_type=np.full(count, int(MembraneType.POLYAMIDE), dtype=np.int64),
        temperature_k_below_25=each(k_below_25),
        temperature_k_from_25=each(k_from_25),
        flush_gal=unknown,
        needs_flush=np.zeros(count, dtype=bool),
        learned_life_gal=unknown,
        learned_life_shape=unknown,
    )


def swinging_site(rng, read_at_d) -> Conditions:
    """Weekly readings at a site whose season, line pressure, salinity and valve setting all move."""
    shape = np.shape(read_at_d)
    phase = rng.uniform(0, 2 * np.pi, (shape[0], 1))
    temperature = 16 + 8 * np.sin(2 * np.pi * read_at_d / 365 + phase) + rng.normal(0, 1, shape)
    return Conditions(
        feed_psi=150 + rng.normal(0, 10, shape),
        permeate_psi=np.abs(rng.normal(8, 4, shape)),
        temperature_c=np.clip(temperature, 4, 32),
        feed_mg_l=np.clip(500 + rng.normal(0, 90, shape), 200, 900),
        recovery=np.clip(0.5 + rng.normal(0, 0.05, shape), 0.3, 0.7),
    )
