"""The kernel's numbers for what the model and the record have names for."""

from __future__ import annotations

from feedsim.accounts.record import (
    DOUBLE,
    DUTY,
    GOOD,
    JAM,
    JAMMED,
    LANE,
    LOAD,
    MISSED,
    SKEWED,
    STATION,
    UNOPENED,
)

# A pocket's outcome. The faults stand in the order of the bag's table.
IS_MISSED, IS_DOUBLE, IS_UNOPENED, IS_SKEWED, IS_JAMMED, IS_GOOD = range(6)
OUTCOME_NAMES = (MISSED, DOUBLE, UNOPENED, SKEWED, JAMMED, GOOD)

# A machine's state; its stations follow, then blocked, changeover and planned stop.
RUNNING, RETRY, RESTARTING, DRY, LANE_FAULT, JAM_STATE, FIRST_STATION_STATE = range(7)
STATES_AFTER_STATIONS = 3

# What a machine is doing.
WAITING_FOR_SHIFT, CYCLING, HOLDING, RESTARTS, STANDING = range(5)

# A task's kind, and what an operator is doing.
JAM_TASK, LANE_TASK, STATION_TASK, LOAD_TASK, DUTY_TASK = range(5)
KIND_NAMES = (JAM, LANE, STATION, LOAD, DUTY)
AT_BASE, WALKING, VISITING, FETCHING, BUNDLING, DOING = range(6)
TAKES, BEGINS, ENDS = range(3)
WORK_NAMES = ("takes", "begins", "ends")

# When machines call.
CALLS = ("none", "dry", "low")

# What a planned stop is.
NOT_PLANNED, IS_CHANGEOVER, IS_PLANNED_STOP = range(3)

# Who acts at a leaf of the agenda.
(
    STOPS_LEAF,
    BREAKS_LEAF,
    ROUNDS_LEAF,
    DUTY_LEAF,
    STATION_LEAF,
    NOTICE_LEAF,
    OPERATOR_LEAF,
    OUTFEED_LEAF,
    MACHINE_LEAF,
    WARM_UP_LEAF,
    END_LEAF,
) = range(11)

# What an entry of the journal tells.
(
    TELLS_STATE,
    TELLS_CYCLES,
    TELLS_FAULTY,
    TELLS_HALT,
    TELLS_LOAD,
    TELLS_DISCARD,
    TELLS_SCRAP,
    TELLS_CALL,
    TELLS_OUTFEED,
    TELLS_OUTFEED_STOP,
    TELLS_WORK,
) = range(11)
