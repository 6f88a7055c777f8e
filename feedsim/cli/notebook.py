"""Answers in a notebook: for each kind the sentences, tables and figure of its command."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Any

from feedsim.cli.screen import tables_said

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from feedsim.answers.account import AccountResult
    from feedsim.answers.capacity import CapacityResult
    from feedsim.answers.compare import CompareResult
    from feedsim.answers.compare_inputs import CompareInputs
    from feedsim.answers.film import FilmResult
    from feedsim.answers.film.inputs import FilmInputs
    from feedsim.answers.replay import Replay
    from feedsim.answers.rounds import RoundsResult
    from feedsim.answers.rounds_inputs import RoundsInputs
    from feedsim.answers.run import RunResult
    from feedsim.answers.sensitivity import SensitivityResult
    from feedsim.answers.size import SizeResult
    from feedsim.answers.sweep import SweepResult
    from feedsim.answers.trial_efficiency import EfficiencyResult
    from feedsim.answers.trial_plan import PlanResult
    from feedsim.answers.trial_result import TrialResult
    from feedsim.answers.uncertain import InputsResult
    from feedsim.fit.picks import PicksResult
    from feedsim.fit.stops import StopsResult
    from feedsim.shown import Shown
    from feedsim.verify.face import FaceValidity


@dataclass(frozen=True)
class View:
    """What can be said and shown of an answer, each made when it is asked for."""

    sentences: Callable[[], Iterable[str]]
    say_tables: Callable[[], None]
    draw: Callable[[], Figure]

    @property
    def tables(self) -> list[dict[str, Any]]:
        """The tables as the JSON document has them."""
        return tables_said(self.say_tables)


def html_of(result: Shown) -> str:
    """HTML of an answer for a notebook."""
    from feedsim.pages.notebook import notebook_html

    view = view_of(result)
    return notebook_html(list(view.sentences()), view.tables, view.draw())


def view_of(result: Shown) -> View:
    """What can be said and shown of an answer, by its kind."""
    kinds = (kind.__name__ for kind in type(result).__mro__)
    return next(VIEWS[kind] for kind in kinds if kind in VIEWS)(result)


def _with_inputs(command: Any, result: Shown, inputs: Shown | None) -> Iterator[str]:
    """A command's sentences, and what it says of uncertain inputs where they were drawn."""
    yield from command.answer(result)
    if inputs is not None:
        yield from command.input_sentences(inputs)


def _run(result: RunResult) -> View:
    from feedsim.cli import run_command as command

    def draw() -> Figure:
        from feedsim.plots.losses import loss_breakdown

        return loss_breakdown(result.results)

    return View(lambda: [command.answer(result)], partial(command.say_tables, result), draw)


def _capacity(result: CapacityResult) -> View:
    from feedsim.cli import capacity_command as command

    def draw() -> Figure:
        from feedsim.cell import build_cell
        from feedsim.plots.capacity import capacity_figure

        own = {plan.capacity_bags for plan in build_cell(result.config).machines}
        return capacity_figure(
            result.results,
            own_capacity=own.pop() if len(own) == 1 else None,
            title=result.headline(),
        )

    return View(
        lambda: [command.answer(result, interval) for interval in result.rounds],
        partial(command.say_tables, result),
        draw,
    )


def _size(result: SizeResult) -> View:
    from feedsim.cli import size_command as command

    def draw() -> Figure:
        from feedsim.plots.size import size_figure

        return size_figure(result, command.headline(result))

    return View(partial(command.answer, result), partial(command.say_tables, result), draw)


def _rounds(result: RoundsResult, inputs: RoundsInputs | None = None) -> View:
    from feedsim.cli import rounds_command as command

    def draw() -> Figure:
        from feedsim.plots.rounds import rounds_figure

        return rounds_figure(result, command.headline(result), command.tending(result), inputs)

    told = partial(_with_inputs, command, result, inputs)
    return View(told, partial(command.say_tables, result, inputs), draw)


def _rounds_inputs(inputs: RoundsInputs) -> View:
    return _rounds(inputs.rounds, inputs)


def _film(result: FilmResult, inputs: FilmInputs | None = None) -> View:
    from feedsim.cli import film_command as command

    def draw() -> Figure:
        from feedsim.plots.film import film_figure

        title, told = command.headline(result), command.subtitle(result, None)
        return film_figure(result, title, told, None, inputs)

    told = partial(_with_inputs, command, result, inputs)
    return View(told, partial(command.say_tables, result, inputs), draw)


def _film_inputs(inputs: FilmInputs) -> View:
    return _film(inputs.film, inputs)


def _compare(result: CompareResult, inputs: CompareInputs | None = None) -> View:
    from feedsim.cli import compare_command as command

    def draw() -> Figure:
        from feedsim.plots.compare import compare_figure

        return compare_figure(result, None, command.headline(result), inputs)

    told = partial(_with_inputs, command, result, inputs)
    return View(told, partial(command.say_tables, result, inputs), draw)


def _compare_inputs(inputs: CompareInputs) -> View:
    return _compare(inputs.compare, inputs)


def _sweep(result: SweepResult) -> View:
    from feedsim.cli import sweep_command as command

    def draw() -> Figure:
        from feedsim.plots.sweep import sweep_figure

        return sweep_figure(result, command.headline(result))

    return View(partial(command.answer, result), partial(command.say_tables, result), draw)


def _sensitivity(result: SensitivityResult) -> View:
    from feedsim.cli import sensitivity_command as command

    def draw() -> Figure:
        from feedsim.plots.sensitivity import sensitivity_figure

        return sensitivity_figure(result)

    return View(lambda: result.words, partial(command.say_tables, result), draw)


def _account(result: AccountResult) -> View:
    from feedsim.cli import account_command as command

    def draw() -> Figure:
        from feedsim.plots.account import log_losses

        return log_losses(result)

    return View(
        lambda: [command.answer(result), command.reading(result)],
        partial(command.say_tables, result),
        draw,
    )


def _stops(result: StopsResult) -> View:
    from feedsim.cli import fit_stops_command as command
    from feedsim.fit.stop_words import answer

    def draw() -> Figure:
        from feedsim.plots.fit_stops import stops_figures

        return next(iter(stops_figures(result, list(answer(result))[1]).values()))

    return View(partial(answer, result), partial(command.say_tables, result), draw)


def _picks(result: PicksResult) -> View:
    from feedsim.cli import fit_picks_command as command

    def draw() -> Figure:
        from feedsim.plots.fit_picks import picks_figure

        title = list(command.answer(result))[-1 if result.model.bad_bundles else 1]
        return picks_figure(result, title, command.basis(result))

    return View(partial(command.answer, result), partial(command.say_tables, result), draw)


def _plan(result: PlanResult) -> View:
    from feedsim.cli import trial_plan_command as command

    def draw() -> Figure:
        from feedsim.plots.trial import plan_figure

        return plan_figure(result, command.headline(result))

    return View(partial(command.answer, result), partial(command.say_tables, result), draw)


def _trial(result: TrialResult) -> View:
    from feedsim.cli import trial_result_command as command

    def draw() -> Figure:
        from feedsim.plots.trial import result_figure

        return result_figure(result, command.headline(result))

    return View(partial(command.answer, result), partial(command.say_tables, result), draw)


def _efficiency(result: EfficiencyResult) -> View:
    from feedsim.cli import trial_efficiency_command as command

    def draw() -> Figure:
        from feedsim.plots.trial_efficiency import efficiency_figure

        return efficiency_figure(result, command.headline(result))

    return View(partial(command.answer, result), partial(command.say_tables, result), draw)


def _replay(result: Replay) -> View:
    from feedsim.cli import replay_command as command

    def sentences() -> list[str]:
        from feedsim.plots.replay import finding

        return [f"{finding(result)}.", command.ONE_SHIFT]

    def draw() -> Figure:
        from feedsim.plots.replay import replay_figure

        return replay_figure(result)

    def say_table() -> None:
        """Say the table without the events that the command says below it: frame() has all."""
        from feedsim.cli import screen

        for table in tables_said(partial(command.say_summary, result)):
            screen.say_table(table["title"], table["columns"], table["lines"], table["notes"][0])

    return View(sentences, say_table, draw)


def _inputs(result: InputsResult) -> View:
    from feedsim.cli import inputs_option as command

    def draw() -> Figure:
        from feedsim.plots.inputs import inputs_figure

        return inputs_figure(result)

    return View(lambda: [command.sentence(result)], partial(command.say_tables, result), draw)


def _face(result: FaceValidity) -> View:
    from feedsim.cli.screen import say_table

    def draw() -> Figure:
        from feedsim.verify.face_figure import face_figure

        return face_figure(result)

    return View(
        lambda: [f"{result.title}.", *result.words],
        lambda: say_table("Figures beside those of real lines", result.columns, result.rows),
        draw,
    )


VIEWS: Mapping[str, Callable[[Any], View]] = {
    "RunResult": _run,
    "CapacityResult": _capacity,
    "SizeResult": _size,
    "RoundsResult": _rounds,
    "RoundsInputs": _rounds_inputs,
    "FilmResult": _film,
    "FilmInputs": _film_inputs,
    "CompareResult": _compare,
    "CompareInputs": _compare_inputs,
    "SweepResult": _sweep,
    "SensitivityResult": _sensitivity,
    "AccountResult": _account,
    "StopsResult": _stops,
    "PicksResult": _picks,
    "PlanResult": _plan,
    "TrialResult": _trial,
    "EfficiencyResult": _efficiency,
    "Replay": _replay,
    "InputsResult": _inputs,
    "FaceValidity": _face,
}
