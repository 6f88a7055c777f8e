"""Write the golden results anew, after a change of results that is meant.

    python tests/renew_golden.py

Say so in CHANGELOG.md: results change.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from feedsim.cell import build_cell
from feedsim.config import load_config
from feedsim.engines import simulate

ROOT = Path(__file__).parents[1]
GOLDEN = Path(__file__).parent / "golden"
CONFIGS = sorted((ROOT / "configs").glob("*.toml"))
REPLICATIONS = (1, 2)


def sums_of(path: Path) -> list[dict[str, Any]]:
    """All sums of the first two shifts of a shipped config."""
    config = load_config(path)
    cell = build_cell(config)
    readings = [simulate(cell, config.study.seed, number) for number in REPLICATIONS]
    return [{"machines": list(r.machines), "crew": r.crew} for r in readings]


def main() -> None:
    """Write one file a config."""
    GOLDEN.mkdir(exist_ok=True)
    for path in CONFIGS:
        text = json.dumps(sums_of(path), indent=1) + "\n"
        (GOLDEN / f"{path.stem}.json").write_text(text)


if __name__ == "__main__":
    main()
