# %% [markdown]
# # What do mis-picks cost, and would a stiffer film be better?
#
# For reliability teams. Pick trials on two lanes become chances with what is not known of them,
# these go into a config, and what the data leave open reaches the answer. The trials and the stop
# log behind `granola_from_data.toml` are simulated: see `configs/data`. Run it from the folder
# that holds `configs/`, as a script or cell by cell.

# %%
from pathlib import Path

import feedsim
from feedsim.plots import save

SHIFTS = 40
SETS = 40  # how often the uncertain inputs are drawn, each time for SHIFTS shifts
DATA = Path("configs/data")
FIGURES = Path("outputs/examples/weigh_a_film")
FIGURES.mkdir(parents=True, exist_ok=True)

# %% [markdown]
# ## What the trials show
# A closure of which no fault was seen keeps a chance above zero.

# %%
picks = feedsim.fit_picks(feedsim.read_trials(DATA / "pick_trials.csv"))
print(*picks.sentences(), sep="\n")
save(picks.figure(), FIGURES, "picks")
missed = picks.chance("missed", "press_zip", 42)
print(
    f"A press-to-close bag of 42 uN.m in a good bundle is missed in {100 * missed.value:.2f} % of "
    f"the attempts ({100 * missed.low:.2f} to {100 * missed.high:.2f})."
)

# %% [markdown]
# ## What misses cost this line
# Single misses and those of bad bundles apart: they do not cost the same.

# %%
config = feedsim.load_config(DATA / "granola_from_data.toml", [f"study.replications={SHIFTS}"])
film = feedsim.film_study(config, factors=[0.5, 1, 2])
print(*film.sentences(), sep="\n")
save(film.figure(), FIGURES, "film")

# %% [markdown]
# ## A stiffer film, on the same luck
# Both stiffnesses lie within the trials; beyond them the model would be a guess, and says so.

# %%
stiffer = feedsim.compare(config, config.with_values({"machine[0].bag.stiffness_uNm": 75.0}))
print(*stiffer.sentences(), sep="\n")
save(stiffer.figure(), FIGURES, "stiffer")

# %% [markdown]
# ## How much of the answer is the data's to tell
# Inputs are drawn anew within what trials and log leave open: what to measure first follows.


# %%
def as_configured(drawn: feedsim.Config) -> list[feedsim.Setting]:
    """Give the one setting that is looked at, with inputs as drawn."""
    return [feedsim.Setting({}, feedsim.build_cell(drawn))]


unknowns = feedsim.unknowns_of(config)
spread = feedsim.with_uncertain_inputs(config, unknowns, as_configured, sets=SETS)
print(*spread.sentences(), sep="\n")
save(spread.figure(), FIGURES, "inputs")
