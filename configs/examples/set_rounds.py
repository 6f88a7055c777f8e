# %% [markdown]
# # How far apart may rounds be, and how many machines can one person tend?
#
# For operations planners. One operator serves three machines that pack granola, muesli and crunchy
# oats; he walks rounds, answers calls and takes a break without cover. Run it from the folder that
# holds `configs/`, as a script or cell by cell.

# %%
from pathlib import Path

import feedsim
from feedsim.plots import save

SHIFTS = 40  # for a first look; what is close is looked at with up to BUDGET shifts
BUDGET = 2560
CONFIG = "configs/granola_three_machines.toml"
FIGURES = Path("outputs/examples/set_rounds")
FIGURES.mkdir(parents=True, exist_ok=True)

config = feedsim.load_config(CONFIG, [f"study.replications={SHIFTS}"])

# %% [markdown]
# ## The longest interval that keeps the targets
# Both must hold at every machine: enough OEE, and an operator who is not busy all the time.

# %%
targets = [feedsim.Target("oee", 0.7), feedsim.Target("crew_busy", 0.9)]
found = feedsim.rounds(
    config, targets, [200, 300], intervals=[5, 10, 20, 30], most_machines=4, budget=BUDGET
)
print(*found.sentences(), sep="\n")
save(found.figure(), FIGURES, "rounds")

# %% [markdown]
# ## What a second operator would change
# The same luck on both sides, so the difference is known better than either value. Time saved by
# reaching past guards is no option of the model: a second pair of hands is.

# %%
second = feedsim.compare(config, config.with_values({"crew.operators": 2}))
print(*second.sentences(), sep="\n")
save(second.figure(), FIGURES, "second_operator")

# %% [markdown]
# ## Who waits, machine by machine
# Waiting: stopped, and nobody there yet.

# %%
for name in second.machines:
    waiting = second.pair(name)["wait_share"]
    print(
        f"{name}: waiting {100 * waiting.value:+.2f} ({100 * waiting.low:+.2f} to "
        f"{100 * waiting.high:+.2f}) points of planned busy time with a second operator"
    )
