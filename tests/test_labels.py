"""How measures are shown: each has its label, in a unit that fits what it is."""

from __future__ import annotations

import pytest

from feedsim.cell import build_cell
from feedsim.config import load_config
from feedsim.labels import label_of
from feedsim.measures import COUNT, CREW_BUSY, RATE, SHARE, measures_of


@pytest.mark.parametrize("name", ["oats_slider", "granola_three_machines", "granola_mono_film"])
def test_every_measure_is_shown_in_a_unit_that_fits_it(request, name):
    cell = build_cell(load_config(request.config.rootpath / "configs" / f"{name}.toml"))
    for measure in (*measures_of(cell.machines), CREW_BUSY):
        label = label_of(measure.name)
        assert label.measure == measure.name
        assert label.text
        assert "_" not in label.text
        if measure.kind == SHARE:
            assert (label.is_share, label.factor) == (True, 100)
        if measure.kind == RATE:
            assert label.unit == "/h"
        if measure.kind == COUNT:
            assert not label.unit


def test_stations_are_called_by_their_names():
    assert label_of("time_case_packer_share").heading == "case packer time %"
    assert label_of("stops_case_packer_per_h").heading == "case packer stops/h"


def test_headings_axes_and_changes():
    dry, visits, refill = (label_of(n) for n in ("dry_share", "visits_per_h", "bags_per_refill"))
    assert (dry.heading, dry.axis, dry.unit_of_change) == ("dry %", "dry, % of time", "points")
    assert (visits.heading, visits.axis, visits.unit_of_change) == ("visits/h", "visits/h", "/h")
    assert (refill.heading, refill.factor) == ("bags per refill", 1)
    oee = label_of("oee")
    assert (oee.digits, oee.fine_digits) == (1, 2)


def test_what_is_no_measure_has_no_label():
    with pytest.raises(KeyError):
        label_of("money")
