"""What real packaging lines show: ranges with their sources, and why a model may lie outside.

Most come from a log of five packaging machines of one site over two years: Packaging Industry
Anomaly DEtection (PIADE), Zenodo, doi 10.5281/zenodo.7071747, licence CC BY 4.0. Its raw file was
not at hand: the figures were worked out of published analyses of it. What its machines pack is not
told. It has five states: production, slow running, downtime (always with an alarm), idle (never
with one: no product, blocked, nobody there) and scheduled downtime. Its running time is production
and slow running together, its stops are spells of downtime, its OEE is held against the best speed
that a machine had shown.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

FIVE_MACHINES = "log of five packaging machines (PIADE, Zenodo 7071747, CC BY 4.0)"
MANY_LINES = "141 food and beverage lines logged automatically (Food Engineering, March 2007)"
POOLED = f"{FIVE_MACHINES}: half to twice the figure of all five, one by one not published"
PRACTICE = "common practice, from memory: no source"

SHORT_STOP_MIN = 10.0
PRECURSOR_MIN = 60.0


@dataclass(frozen=True, slots=True)
class RealRange:
    """What real lines show of a figure.

    Attributes
    ----------
    what : str
        The figure in words.
    unit : str
        "%" (the ends are shares, shown times 100), or the unit of the ends.
    low, high : float
    source : str
        Where the ends come from; what is from memory says so.
    below, above : str
        Why the model may lie there without being wrong; empty where no reason is known.
    """

    what: str
    unit: str
    low: float
    high: float
    source: str
    below: str = ""
    above: str = ""

    @property
    def scale(self) -> float:
        """What a figure is shown times."""
        return 100.0 if self.unit == "%" else 1.0


_SPEED = (
    "the config's speed is held, and full speed comes back after restart_s: real machines run slow "
    "or nearly empty for minutes before and after stops, which the model has not"
)
_SUPPLY = (
    "the config holds no want of product, no orders that are missing and no people who are away, "
    "which is most of what real machines wait for"
)
_CALENDAR = (
    "the config has one shift's planned stops; cleaning, start-up and the site's own calendar are "
    "not in it"
)
_BURSTS = (
    "stations stop independently of what came before: the model has bad spells of bags (bad "
    "bundles), none of stations"
)
_WAIT = "the stop waits for an operator, who is with other work; the range has no wait in it"
_OFTEN = (
    "a station that stops more often than most: meant so in the invented plant, where something "
    "is to be improved; in a config of your own look whether it is so"
)
_SCRAP = "the packs caught at each halt are scrapped (scrap_packs), and the config halts often"
_CAUSES = "the model has a handful of causes, the logs more than a hundred alarm codes"

# Of each machine. 0.2885 and 0.5712 are the log's lowest and highest machine.
OF_MACHINE: Mapping[str, RealRange] = {
    "oee": RealRange(
        "OEE",
        "%",
        0.2885,
        0.80,
        f"{FIVE_MACHINES}, its worst machine; best fifth of {MANY_LINES}",
    ),
    "technical_availability": RealRange(
        "running / (running + own stops)", "%", 0.750, 0.941, FIVE_MACHINES
    ),
    "short_stops_per_h": RealRange(
        "stops under 10 min in a running hour",
        "/h",
        1.5,
        7.0,
        f"{FIVE_MACHINES}: machines from 1.5, 3.8 in all with an alarm, 5.9 with waiting; "
        f"{MANY_LINES}: 7",
    ),
    "short_stop_min": RealRange("mean of stops under 10 min", "min", 0.69, 2.76, POOLED),
    "running_between_min": RealRange(
        "running time between stops",
        "min",
        8.6,
        40.0,
        f"{MANY_LINES}: 8.6; {FIVE_MACHINES}: 10.2 with waiting, 15.8 without, 40 at its best",
    ),
    "long_part": RealRange(
        "stops of 10 min and more, of all stops",
        "%",
        0.01,
        0.05,
        f"{FIVE_MACHINES}: 2.8 % of all; the ends are a judgement",
    ),
    "running_between_long_h": RealRange(
        "running hours between stops of 10 min and more", "h", 2.8, 26.8, FIVE_MACHINES
    ),
    "long_stop_min": RealRange(
        "mean of stops of 10 min and more", "min", 16.5, 46.4, FIVE_MACHINES
    ),
    "long_time_part": RealRange(
        "their part of the time of own stops", "%", 0.17, 0.44, FIVE_MACHINES
    ),
    "precursor_part": RealRange(
        "long stops with a short one of the same cause in the hour before",
        "%",
        0.03,
        0.75,
        f"{FIVE_MACHINES}: by alarm code",
        below=_BURSTS,
    ),
    "commonest_part": RealRange(
        "the commonest cause, of all stops",
        "%",
        0.10,
        0.41,
        f"half to twice the 20 % of {FIVE_MACHINES} and of Alarm Logs in Packaging Industry "
        "(ALPI, Mendeley Data 4nhx2x67cd, CC BY 4.0; 20 machines)",
        above=_CAUSES,
    ),
    "waiting_share": RealRange(
        "waiting: dry or blocked, of planned busy time",
        "%",
        0.106,
        0.449,
        f"{FIVE_MACHINES}: idle",
        below=_SUPPLY,
    ),
    "speed_part": RealRange(
        "packs x cycle / running time", "%", 0.544, 0.875, FIVE_MACHINES, above=_SPEED
    ),
    "rejected_part": RealRange(
        "rejected packs",
        "%",
        0.0016,
        0.0067,
        f"{FIVE_MACHINES}: counters before and behind",
        above=_SCRAP,
    ),
    "planned_part": RealRange(
        "planned stops and changeovers, of all time", "%", 0.074, 0.296, POOLED, below=_CALENDAR
    ),
}

CREW = RealRange(
    "crew busy",
    "%",
    0.0,
    0.85,
    f"{PRACTICE}; above it those who call wait long",
)

# Running minutes between stops, and minutes of a stop, of stations by their name.
_STATIONS = {
    "weigher": (60, 180, 1, 2),
    "sealer": (60, 180, 1, 3),
    "coder": (240, 480, 2, 4),
    "checkweigher": (240, 600, 1, 2),
    "case packer": (30, 90, 1.5, 3),
    "palletiser": (60, 180, 2, 5),
}
# A station "technical" gathers what calls a fitter: the log's long stops.
_TECHNICAL = (
    RealRange(
        "technical: running time between stops",
        "min",
        2.8 * 60,
        26.8 * 60,
        f"{FIVE_MACHINES}: long",
    ),
    RealRange("technical: mean of its stops", "min", 16.5, 46.4, f"{FIVE_MACHINES}: long"),
)


def station_ranges(name: str, *, waits: bool) -> tuple[RealRange, RealRange] | None:
    """Running time between stops and length of a stop, for the stations that have a usual name.

    `waits` tells that a stop of the station waits for an operator.
    """
    if name.lower() == "technical":
        return _TECHNICAL
    found = _STATIONS.get(name.lower())
    if found is None:
        return None
    least, most, shortest, longest = found
    return (
        RealRange(
            f"{name}: running time between stops", "min", least, most, PRACTICE, below=_OFTEN
        ),
        RealRange(
            f"{name}: mean of its stops",
            "min",
            shortest,
            longest,
            f"{PRACTICE}; somebody at hand",
            above=_WAIT if waits else "",
        ),
    )
