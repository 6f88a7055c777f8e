"""Pages of studies: complete, small, closed; the sliders hold what was computed and no more."""

from __future__ import annotations

import html
import json
import os
import re
import shutil
from dataclasses import replace
from html.parser import HTMLParser

import pandas as pd
import pytest
from studies import KINDS, Studies, call, each_kind, is_simulated
from test_pages_browser import TITLES

from feedsim.cli.finished_study import read_study
from feedsim.labels import label_of
from feedsim.pages import page as page_part
from feedsim.pages.drawings import drawings_within
from feedsim.pages.explorer import MEASURES, grid_of
from feedsim.pages.finished_study import FinishedStudy, answer_of, manifest_of
from feedsim.pages.page import LARGEST_BYTES, shown
from feedsim.pages.report import report_page
from feedsim.pages.report_inputs import DEFAULT, OPTION, unstated_inputs
from feedsim.pages.report_losses import causes_of
from feedsim.pages.report_words import QUESTIONS

# The headings of STRESS-DES, Journal of Simulation 13 (2019), from memory.
CHECKLIST = """1.1 1.2 1.3 2.1 2.2 2.3 2.4 2.5.1 2.5.2 2.5.3 2.5.4 2.5.5 3.1 3.2 3.3 3.4
4.1 4.2 4.3 5.1 5.2 5.3 5.4 6.1"""
VOID = {"meta", "img", "input", "br", "link"}


@pytest.fixture(scope="module")
def studies(tmp_path_factory):
    return Studies(tmp_path_factory)


class Parsed(HTMLParser):
    """A page's elements, checked to be closed in the order in which they were opened."""

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.open: list[str] = []
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.texts: list[str] = []
        self.of: dict[str, list[str]] = {}
        self.feed(text)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag, attrs):
        self.elements.append((tag, dict(attrs)))
        assert len(dict(attrs)) == len(attrs), f"an attribute twice in {tag}"
        if tag not in VOID:
            self.open.append(tag)
            self.of.setdefault(tag, []).append("")

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        self.texts.append(data)
        for tag in set(self.open):
            self.of[tag][-1] += data

    @property
    def words(self) -> str:
        return " ".join(" ".join(self.texts).split())

    def attributes(self, name: str) -> list[str]:
        return [found[name] or "" for _, found in self.elements if name in found]


@pytest.fixture(scope="module")
def parsed(studies):
    pages = {}

    def get(kind: str) -> Parsed:
        if kind not in pages:
            pages[kind] = Parsed(studies.page(kind).read_text(encoding="utf-8"))
        return pages[kind]

    return get


@pytest.mark.parametrize("kind", each_kind())
def test_the_page_says_the_answer_first_and_then_everything(studies, parsed, kind):
    page = parsed(kind)
    answer = json.loads((studies[kind] / "answer.json").read_text())
    manifest = json.loads((studies[kind] / "manifest.json").read_text())
    assert page.of["h1"] == [QUESTIONS[re.sub(" (of two|not met)$", "", kind)]]
    places = [page.words.index(sentence) for sentence in answer["answer"]]
    assert places == sorted(places)
    assert places[0] < page.words.index("Contents")
    expected = ["evidence", "sure", "people", "again"]
    if is_simulated(kind):
        expected = ["evidence", "time", "limits", "assumptions", *expected[1:], "checklist"]
    ids = page.attributes("id")
    assert [found for found in ids if found in expected] == expected
    assert len(ids) == len(set(ids))
    assert {link.removeprefix("#") for link in page.attributes("href")} <= set(ids)
    for note in answer["notes"]:
        assert " ".join(note.split()) in page.words
    assert manifest["hash"] in page.words
    assert f"feedsim {' '.join(manifest['command_line'][1:3])}" in page.words


@pytest.mark.parametrize("kind", each_kind())
def test_the_page_is_small_and_closed(studies, parsed, kind):
    data = studies.page(kind).read_bytes()
    assert len(data) < LARGEST_BYTES
    page = parsed(kind)
    [policy] = [
        found["content"]
        for tag, found in page.elements
        if tag == "meta" and found.get("http-equiv") == "Content-Security-Policy"
    ]
    assert policy.startswith("default-src 'none'; img-src data:; style-src 'sha256-")
    assert "unsafe" not in policy
    assert not page.attributes("style")
    assert not [name for _, found in page.elements for name in found if name.startswith("on")]
    assert all(source.startswith("data:image/") for source in page.attributes("src"))
    assert all(link.startswith("#") for link in page.attributes("href"))
    assert not re.search(r"url\(|@import", page.of["style"][0])


@pytest.mark.parametrize("kind", each_kind())
def test_every_figure_and_every_line_of_the_tables_is_there(studies, parsed, kind):
    page = parsed(kind)
    assert len(page.attributes("src")) == len(list(studies[kind].glob("*.svg")))
    for table in json.loads((studies[kind] / "answer.json").read_text())["tables"]:
        assert " ".join(table["title"].split()) in page.words
        for line in table["lines"]:
            assert " ".join(" ".join(line).split()) in page.words, table["title"]


@pytest.mark.parametrize("kind", each_kind(is_simulated))
def test_the_whole_config_and_its_planning_values_are_there(studies, parsed, kind):
    page = parsed(kind)
    for name in ("config.toml", "resolved.toml"):
        text = " ".join((studies[kind] / name).read_text().split())
        assert text in page.words
    assert "planning value, from memory" in page.of["table"][-1]
    assert "STRESS-DES" in page.words
    numbers = [text.split()[0] for text in page.of["dt"] if re.match(r"\d\.\d", text)]
    assert numbers == CHECKLIST.split()


def test_what_the_tables_say_is_what_the_terminal_says(studies, tmp_path, capsys):
    shutil.copy(studies.folder / "cell.toml", tmp_path)
    call(tmp_path, *KINDS["run"], "--jobs", "1", "--out", "run")
    printed = " ".join(capsys.readouterr().out.split())
    for table in json.loads((tmp_path / "run" / "answer.json").read_text())["tables"]:
        for line in table["lines"]:
            assert " ".join(" ".join(line).split()) in printed
        for note in table["notes"]:
            assert note in printed


def test_the_same_folder_gives_the_same_bytes_and_nothing_else_is_written(studies, tmp_path):
    for kind in ("sweep", "fit picks"):
        first = studies.page(kind).read_bytes()
        copy = tmp_path / studies[kind].name
        shutil.copytree(studies[kind], copy)
        before = {path.name: path.read_bytes() for path in copy.iterdir()}
        assert call(tmp_path, "report", copy.name) == 0
        assert {path.name: path.read_bytes() for path in copy.iterdir()} == before
        assert (copy / "report.html").read_bytes() == first


def test_causes_and_good_packs_fill_the_planned_busy_time(studies, parsed):
    frame = pd.read_csv(studies["capacity"] / "summary.csv")
    frame = frame[frame.machine.isna()]
    tables = [text for text in parsed("capacity").of["table"] if "good packs (OEE)" in text]
    assert sum(text.count("bags per lane") for text in tables) == len(frame)
    study = read_study(studies["capacity"])
    for row, (_, line) in zip(study.cells, frame.iterrows(), strict=True):
        causes = causes_of(row)
        assert sum(causes.values()) + line["oee"] == pytest.approx(1, abs=1e-9)
        assert causes["sealer"] == pytest.approx(line["time_sealer_share"])
        sealer = f"{100 * line['time_sealer_share']:.2f} ("
        assert any(sealer in text for text in tables)


# The sliders.


def grid_data(page: Parsed) -> dict:
    scripts = [text for text in page.of["script"] if text.startswith("{")]
    assert len(scripts) == 1
    return json.loads(scripts[0])


def test_sliders_hold_the_computed_points_as_summary_has_them(studies, parsed):
    data = grid_data(parsed("capacity"))
    labels = [axis["label"] for axis in data["axes"]]
    assert labels == ["capacity, bags per lane", "rounds every, min"]
    frame = pd.read_csv(studies["capacity"] / "summary.csv")
    frame = frame[frame.machine.isna()]
    assert len(data["points"]) == len(frame) == 8
    for point, (_, line) in zip(data["points"], frame.iterrows(), strict=True):
        bags, minutes = (
            axis["numbers"][place] for axis, place in zip(data["axes"], point[:2], strict=True)
        )
        assert bags == line["machine.magazine.capacity_bags"]
        assert minutes == line["crew.rounds_every_min"]
        assert point[3] == line["replications"]
        for found, name in zip(point[4:], MEASURES, strict=True):
            factor = label_of(name).factor
            assert found[0] == pytest.approx(factor * line[name], rel=1e-5)
            if len(found) == 4:
                ends = [factor * line[f"{name}_low"], factor * line[f"{name}_high"]]
                assert found[2:] == pytest.approx(ends, rel=1e-5, abs=1e-9)


def test_sliders_of_rounds_cover_the_whole_map(studies, parsed):
    data = grid_data(parsed("rounds"))
    tried = pd.read_csv(studies["rounds"] / "tried.csv")
    cells = tried[tried.copies == 1].drop_duplicates(["asked_bags", "rounds_every_min"])
    assert {tuple(point[:2]) for point in data["points"]} == {(0, 0), (0, 1), (1, 0), (1, 1)}
    assert len(cells) >= 4
    for point in data["points"]:
        bags, minutes = (
            axis["numbers"][place] for axis, place in zip(data["axes"], point[:2], strict=True)
        )
        at = (tried.asked_bags == bags) & (tried.rounds_every_min == minutes)
        found = tried[at & (tried.measure == "dry_share")].iloc[0]
        assert point[6][0] == pytest.approx(100 * found.value, rel=1e-5, abs=1e-9)
        assert point[3] == found.replications


@pytest.mark.campaign
def test_keys_that_go_together_are_one_slider_and_texts_keep_their_order(studies, parsed):
    data = grid_data(parsed("sweep"))
    assert [axis["label"] for axis in data["axes"]] == ["operators", "closure", "cycles per minute"]
    assert data["axes"][1]["values"] == ["plain", "slider"]
    assert data["axes"][1]["numbers"] is None
    assert len(data["points"]) == 8
    two = grid_data(parsed("capacity of two"))
    assert len(two["axes"]) == 1
    assert two["machines"] == ["whole cell", "granola", "muesli"]


@pytest.mark.parametrize("kind", each_kind(lambda kind: not kind.startswith(("cap", "ro", "sw"))))
def test_other_studies_have_no_script(parsed, kind):
    assert "script" not in parsed(kind).of


def test_the_page_without_script_has_all_points_in_a_table(parsed):
    page = parsed("capacity")
    data = grid_data(page)
    [table] = [text for text in page.of["table"] if "rounds every, min" in text][:1]
    assert table.count("(") >= len(data["points"])
    for point in data["points"]:
        assert f"{point[4][0]:.1f} ({point[4][2]:.1f} to {point[4][3]:.1f})" in table


# Where it is written, and what is refused.


def refused(folder, capsys, *words):
    capsys.readouterr()
    code = call(folder, *words)
    out, err = capsys.readouterr()
    assert code == 2
    assert out == ""
    assert len(err.splitlines()) == 1
    assert "Traceback" not in err
    return err


def test_it_is_written_where_it_is_told(studies, tmp_path, capsys):
    studies.page("run")
    capsys.readouterr()
    code = call(studies.folder, "report", "run", "--out", str(tmp_path / "m.html"), "--json")
    told = json.loads(capsys.readouterr().out)
    assert code == 0
    assert told["report"]["file"] == str(tmp_path / "m.html")
    assert told["report"]["bytes"] == (tmp_path / "m.html").stat().st_size
    assert told["report"]["of"] == "run"
    assert [path.name for path in tmp_path.iterdir()] == ["m.html"]


def test_a_link_at_its_place_is_replaced_and_not_followed(studies, tmp_path):
    studies.page("run")
    (tmp_path / "other").write_text("mine")
    (tmp_path / "m.html").symlink_to(tmp_path / "other")
    assert call(studies.folder, "report", "run", "--out", str(tmp_path / "m.html")) == 0
    assert (tmp_path / "other").read_text() == "mine"
    assert not (tmp_path / "m.html").is_symlink()


@pytest.mark.parametrize(
    ("out", "words"),
    [("page.txt", "ends in .html"), ("none/page.html", "no folder"), ("folder.html", "a folder")],
)
def test_places_that_make_no_sense_are_refused(studies, tmp_path, capsys, out, words):
    (tmp_path / "folder.html").mkdir()
    err = refused(studies.folder, capsys, "report", "run", "--out", str(tmp_path / out))
    assert words in err
    assert os.listdir(tmp_path) == ["folder.html"]


def test_what_is_no_finished_study_is_refused(studies, tmp_path, capsys):
    (tmp_path / "empty").mkdir()
    assert "no study" in refused(tmp_path, capsys, "report", "empty")
    assert "not there" in refused(tmp_path, capsys, "report", "nowhere")
    (tmp_path / "file").write_text("x")
    assert "no folder" in refused(tmp_path, capsys, "report", "file")
    copy = tmp_path / "copy"
    shutil.copytree(studies["run"], copy)
    (copy / "report.html").unlink(missing_ok=True)
    manifest = json.loads((copy / "manifest.json").read_text())
    (copy / "manifest.json").write_text(json.dumps({**manifest, "finished": False}))
    assert "unfinished" in refused(tmp_path, capsys, "report", "copy")
    for text in ("{", "[]", '{"command": 1}', "[" * 100_000):
        (copy / "manifest.json").write_text(text)
        refused(tmp_path, capsys, "report", "copy")
    (copy / "manifest.json").write_text(json.dumps(manifest))
    answer = json.loads((copy / "answer.json").read_text())
    for change in (
        {"answer": []},
        {"answer": "x"},
        {"rows": [{}]},
        {"notes": [1]},
        {"tables": {"a": 1}},
    ):
        (copy / "answer.json").write_text(json.dumps({**answer, **change}))
        assert next(iter(change)) in refused(tmp_path, capsys, "report", "copy")
    (copy / "answer.json").unlink()
    assert "called again" in refused(tmp_path, capsys, "report", "copy")
    (tmp_path / "secret").write_text("{}")
    (copy / "answer.json").symlink_to(tmp_path / "secret")
    assert "is a link" in refused(tmp_path, capsys, "report", "copy")
    assert not (copy / "report.html").exists()


def test_an_unfinished_fit_is_refused_like_a_study(studies, tmp_path, capsys):
    copy = tmp_path / "copy"
    shutil.copytree(studies["trial plan"], copy)
    manifest = json.loads((copy / "manifest.json").read_text())
    (copy / "manifest.json").write_text(json.dumps({**manifest, "finished": False}))
    assert "unfinished" in refused(tmp_path, capsys, "report", "copy")


# Studies too large for a page.


@pytest.mark.campaign
def test_what_does_not_fit_is_left_out_and_said(studies):
    study = read_study(studies["capacity"])
    drawings = {f"capacity-machine-{n}": study.drawings["capacity"] for n in range(1, 12)}
    pictures = dict.fromkeys(drawings, study.pictures["capacity"])
    table = study.answer.tables[0]
    lines = [[f"{'x' * 60} {n}"] * len(table.columns) for n in range(1_000)]
    answer = study.answer.model_copy(
        update={"tables": [table.model_copy(update={"lines": lines})] * 12}
    )
    large = replace(
        study,
        answer=answer,
        drawings={**study.drawings, **drawings},
        pictures={**study.pictures, **pictures},
        texts={**study.texts, "config.toml": f"# {'x' * 197}\n" * 8_000},
    )
    text = report_page(large)
    assert len(text.encode()) < LARGEST_BYTES
    page = Parsed(text)
    assert "Left out, so that the page stays below 1 MB" in page.words
    assert "of 1,000 lines" in page.words
    assert "cut here; the whole is in the folder" in page.words
    assert len(page.attributes("src")) >= 1


def test_figures_that_are_too_large_as_drawings_become_pictures(studies):
    study = read_study(studies["run"])
    name = "losses"
    [whole], _ = drawings_within(study.drawings, study.pictures, [name], 10_000_000)
    assert whole.address.startswith("data:image/svg+xml;base64,")
    [small], _ = drawings_within(study.drawings, study.pictures, [name], len(whole.address) - 1)
    assert small.address.startswith("data:image/png;base64,")
    assert len(small.address) < len(whole.address)
    none, left_out = drawings_within(study.drawings, study.pictures, [name], 1_000)
    assert (none, left_out) == ([], [name])


def test_broken_figures_are_left_out():
    svg = {"a": b"", "b": b"\xff\xfe", "c": b'<svg viewBox="0 0 9999999999999 1">', "d": b"<svg "}
    assert drawings_within(svg, {}, list(svg), 1_000_000) == ([], ["a", "b", "c", "d"])


# Names that would like to be more than text.


def hostile(value, text: str, keep: tuple[str, ...] = ()):
    """A document with every text in it replaced, keys that the program reads kept."""
    if isinstance(value, str):
        return text
    if isinstance(value, list):
        return [hostile(item, text) for item in value]
    if isinstance(value, dict):
        return {key: item if key in keep else hostile(item, text) for key, item in value.items()}
    return value


def hostile_study(studies: Studies, text: str) -> FinishedStudy:
    study = read_study(studies["sweep"])
    answer = json.loads((studies["sweep"] / "answer.json").read_text())
    manifest = json.loads((studies["sweep"] / "manifest.json").read_text())
    measures = answer["rows"][0]["measures"]
    answer = hostile(answer, text, keep=("command", "rows"))
    answer["rows"] = [
        {
            **row,
            "machine": row["machine"] and text,
            "setting": {text: f"{text}{number}"},
            "measures": {**measures, f"time_{text}_share": {"value": 0.2, "low": 0.1, "high": 0.3}},
        }
        for number, row in enumerate(answer["rows"])
    ]
    manifest = hostile(manifest, text, keep=("command", "finished"))
    manifest["libraries"] = {text: text}
    manifest["inputs"] = {text: text}
    manifest["options"] = {text: text}
    quoted = json.dumps("".join(c for c in text.replace("/", "|") if c.isprintable()))
    titled = json.dumps("".join(c for c in text if c.isprintable() or c == "\n"))
    config = f"title = {titled}\n[[machine]]\nname = {quoted}\nspeed_per_min = 20\n"
    config += "[machine.magazine]\ncapacity_bags = 50\n"
    config += '[machine.bag]\nclosure = "plain"\nstiffness_uNm = 20\n'
    return FinishedStudy(
        text,
        manifest_of(manifest),
        answer_of(answer),
        {"config.toml": config, "resolved.toml": config, f"{text}.toml": text},
        {text: study.drawings["sweep"]},
        {},
    )


@pytest.fixture(scope="module")
def tame(studies):
    return Parsed(report_page(hostile_study(studies, "tame")))


@pytest.mark.parametrize("text", TITLES)
def test_hostile_texts_stay_texts_in_every_field(studies, tame, text):
    study = hostile_study(studies, text)
    page = report_page(study)
    found = Parsed(page)
    assert [tag for tag, _ in found.elements] == [tag for tag, _ in tame.elements]
    assert {name for _, a in found.elements for name in a} == {
        name for _, a in tame.elements for name in a
    }
    exact = shown(text)
    assert found.of["p"][0] == f"Sweep: {exact}"
    assert exact in found.of["th"]
    assert any(line.startswith(exact) for line in found.of["li"][10:])
    assert found.of["h3"].count(f"{exact}.toml") == 1
    assert grid_of(study) is not None
    assert exact in grid_data(found)["axes"][0]["values"][0]
    assert all(c.isprintable() or c == "\n" for c in page)


def test_without_escaping_they_would_not(studies, monkeypatch):
    import jinja2

    text = "<script>alert(1)</script>"
    assert Parsed(report_page(hostile_study(studies, text))).of["script"].count("alert(1)") == 0
    loose = jinja2.Environment(
        loader=jinja2.FileSystemLoader(page_part.TEMPLATES), autoescape=False
    )
    monkeypatch.setattr(page_part, "_templates", lambda: loose)
    page = report_page(hostile_study(studies, text))
    assert page.count(text) > 20
    assert html.escape(text) not in page


def test_a_config_that_names_files_gives_the_same_page_wherever_it_is_made(studies, tmp_path):
    text = (studies.folder / "cell.toml").read_text()
    text = text.replace('{ family = "exponential", mean_min = 20 }', '{ family = "empirical", ')
    text = text.replace('"empirical", ', '"empirical", file_min = "gaps.txt" }')
    (tmp_path / "gaps.txt").write_text("5\n10\n20\n")
    (tmp_path / "cell.toml").write_text(text)
    words = ("--jobs", "1", "--out", "study", "--set", "crew.walk_s=7")
    assert call(tmp_path, "run", "cell.toml", *words) == 0
    (tmp_path / "elsewhere").mkdir()
    pages = []
    for folder in (tmp_path, tmp_path / "elsewhere"):
        assert call(folder, "report", str(tmp_path / "study")) == 0
        pages.append((tmp_path / "study" / "report.html").read_bytes())
    assert pages[0] == pages[1]
    assert b"crew.base_m" in pages[0]


def test_inputs_are_told_apart_by_where_they_are_from(studies):
    assert call(studies.folder, "run", "cell.toml", "--set", "crew.walk_s=7", "--out", "set") == 0
    found = {
        key: (value, origin)
        for key, value, origin in unstated_inputs(read_study(studies.folder / "set"))
    }
    assert found["crew.walk_s"] == ("7", OPTION)
    assert found["crew.operators"] == ("1", DEFAULT)
    # Stated, though in minutes where the resolved config has seconds.
    assert "machine[0].station[0].between_stops" not in found
