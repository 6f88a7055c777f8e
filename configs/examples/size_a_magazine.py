# %% [markdown]
# # How many bags must a lane of the magazine hold?
#
# For engineers. One machine packs oats in slider pouches; a longer magazine costs money and floor,
# a short one runs dry while the operator is elsewhere. Run it from the folder that holds
# `configs/`, as a script or cell by cell (an editor that knows `# %%` shows cells, and each answer
# as the last line of a cell shows itself).

# %%
from pathlib import Path

import feedsim
from feedsim.plots import save

SHIFTS = 40  # for a first look; what is close is looked at with up to BUDGET shifts
BUDGET = 2560
CONFIG = "configs/oats_slider.toml"
FIGURES = Path("outputs/examples/size_a_magazine")
FIGURES.mkdir(parents=True, exist_ok=True)

config = feedsim.load_config(CONFIG, [f"study.replications={SHIFTS}"])

# %% [markdown]
# ## What the line does today, and what costs it most
# Read the losses first: where nothing runs dry, no magazine helps.

# %%
today = feedsim.run(config)
print(*today.sentences(), sep="\n")
save(today.figure(), FIGURES, "losses")
dry = today.cell["dry_share"]
print(f"Dry {100 * dry.value:.2f} % of the time ({100 * dry.low:.2f} to {100 * dry.high:.2f}).")

# %% [markdown]
# ## The fewest bags per lane that meet a target
# A target is met where its one-sided limit meets it. What is too close to tell is said to be.

# %%
target = feedsim.Target("oee", 0.77)
sized = feedsim.size(config, [target], up_to=200, budget=BUDGET)
print(*sized.sentences(), sep="\n")
save(sized.figure(), FIGURES, "size")

# %% [markdown]
# ## What the next bundles would bring
# All capacities meet the same luck, so the step from one to the next is known better than either.

# %%
curve = feedsim.capacity(config, [50, 75, 100, 125, 150])
save(curve.figure(), FIGURES, "capacity")
for row in curve.curve():
    step = curve.steps(row).get("oee")
    told = "" if step is None else f", step {100 * step.value:+.2f} ({100 * step.low:+.2f} to "
    told += "" if step is None else f"{100 * step.high:+.2f}) points"
    print(f"{curve.capacity_bags(row):>4} bags per lane: OEE {100 * row['oee'].value:.1f} %{told}")

# %% [markdown]
# ## The same as a table
# `frame()` gives every answer to pandas; each measure has its interval beside it.

# %%
columns = ["capacity_bags", "oee", "oee_low", "oee_high", "dry_share", "refill_visits_per_h"]
table = curve.frame()
print(table[table["machine"] == ""][columns].round(4).to_string(index=False))
