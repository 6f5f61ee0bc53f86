"""One reading by itself against its definitions and a printed example of a membrane in cold water."""

import pytest

from fleet.science.on_site import on_site, sheet_of

CELSIUS_AT_59_F = 15


def test_a_membrane_of_1800_gallons_that_gives_1266_at_59_fahrenheit_reaches_its_sheet():
    """Printed example beside the thin-film table: 1800 gpd at 77 °F is 1266 gpd at 59 °F."""
    sheet = sheet_of(1800, 0.97, 3020, 2640)
    found = on_site({"permeate_flow_gpm": 1266 / 1440, "feed_temperature_c": CELSIUS_AT_59_F}, [sheet])
    assert found.flow_of_sheet == pytest.approx(1, abs=6e-4)
    assert found.permeate_gpm_at_25 == pytest.approx(1800 / 1440, abs=1e-3)
    # Two side by side owe twice the flow; one whose sheet nobody knows leaves the share unsaid.
    read = {"permeate_flow_gpm": 1266 / 1440, "feed_temperature_c": CELSIUS_AT_59_F}
    assert on_site(read, [sheet, sheet]).flow_of_sheet == pytest.approx(0.5, abs=3e-4)
    assert on_site(read, [sheet, sheet_of(None, 0.9, 3020, 2640)]).flow_of_sheet is None


def test_drop_recovery_and_rejection_are_as_defined_and_unsaid_without_their_gauges():
    """ASTM D4516: recovery is permeate over feed, rejection what is held back of the feed's salt."""
    read = {
        "feed_pressure_psi": 120, "concentrate_pressure_psi": 108, "permeate_flow_gpm": 0.75,
        "concentrate_flow_gpm": 0.25, "feed_conductivity_us_cm": 500, "permeate_conductivity_us_cm": 15,
    }  # fmt: skip
    found = on_site(read)
    assert (found.delta_p_psi, found.recovery, found.rejection) == (12, 0.75, pytest.approx(0.97))
    for name in read:
        left = on_site({**read, name: None})
        assert None in (left.delta_p_psi, left.recovery, left.rejection)
    assert on_site({"permeate_flow_gpm": 0, "concentrate_flow_gpm": 0}).recovery is None
    assert on_site({"feed_conductivity_us_cm": 0, "permeate_conductivity_us_cm": 1}).rejection is None


def test_constants_that_fit_no_membrane_give_way_to_the_usual_ones():
    assert sheet_of(1800, None, None, 2640).k_below_25 == sheet_of(1800, None, 9e9, 1).k_below_25 == 2700
