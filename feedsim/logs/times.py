"""Begin and end of each row: from start, end, duration and date, whichever there are."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import timedelta
from itertools import pairwise

from feedsim.logs.columns import unit_in
from feedsim.logs.findings import LogError, Notebook, listed, shown
from feedsim.logs.instants import FIRST, LAST, US, TimeFormat, Written, Zone
from feedsim.logs.layout import Columns, Layout
from feedsim.logs.numbers import US_IN, Marks, is_clock, read_length_us
from feedsim.logs.sheet import Row, Sheet

AGREE_US = 2_000_000
DAY = timedelta(days=1)
HOUR_US = US_IN["h"]
# No stop lasts longer than from the first instant that is read to the last.
LONGEST_US = (LAST - FIRST) // US


@dataclass(frozen=True, slots=True)
class TimedRow:
    """A row with its begin, and its end where that is known."""

    row: Row
    begin_us: int
    end_us: int | None


class TimedRows:
    """Reads the times of a file's rows, and notes what is odd.

    Parameters
    ----------
    sheet : Sheet
    at : dict of role to place
        Of the columns.
    told : Columns
    layout : Layout
    zone : Zone
    notes : Notebook

    Raises
    ------
    LogError
        If columns are missing, no time can be read, or times of two kinds are mixed.
    """

    def __init__(
        self,
        sheet: Sheet,
        at: dict[str, int],
        told: Columns,
        layout: Layout,
        zone: Zone,
        notes: Notebook,
    ) -> None:
        self._sheet, self._at, self._zone, self._notes = sheet, at, zone, notes
        self._refuse_too_little()
        texts = [
            (row.line, text)
            for row in sheet.rows
            for role in ("start", "end")
            if (text := self._time_text(row, role))
        ]
        if not texts:
            raise LogError(f"{sheet.file}: holds no row with a time")
        self._format = TimeFormat(sheet.file, texts, layout.time_format)
        written = [(line, time) for line, text in texts if (time := self._format.read(text))]
        self._mostly_fine = 2 * sum(time.coarse for _, time in written) < len(written)
        self.has_offsets = self._offsets(written)
        lengths = [self._cell(row, "duration") for row in sheet.rows]
        self._marks = Marks(lengths, layout.decimal)
        self._unit = told.duration_unit or self._unit_named(lengths)

    def _refuse_too_little(self) -> None:
        if sum(role in self._at for role in ("start", "end", "duration")) < 2:
            there = listed(self._sheet.heading)
            have = ", ".join(role for role in ("start", "end", "duration") if role in self._at)
            raise LogError(
                f"{self._sheet.file}:{self._sheet.heading_line}: needs two columns of start, end "
                f"and duration, has {have or 'none'}; allowed: --start, --end or --duration with "
                f"one of {there}"
            )

    def _offsets(self, written: list[tuple[int, Written]]) -> bool:
        """Whether times carry offsets; without a zone all do, or none does."""
        with_offset = [line for line, time in written if time.offset is not None]
        without = [line for line, time in written if time.offset is None]
        if self._zone.name is None and with_offset and without:
            odd = min(with_offset, without, key=len)
            raise LogError(
                f"{self._sheet.file}:{odd[0]}: {len(with_offset)} of {len(written)} times carry an "
                f"offset from UTC, this one {'does' if odd is with_offset else 'does not'}; "
                "allowed: --zone to say where those without are"
            )
        return bool(with_offset)

    def _unit_named(self, lengths: list[str]) -> str | None:
        if "duration" not in self._at:
            return None
        name = self._sheet.heading[self._at["duration"]]
        unit = unit_in(name)[1]
        if unit is None and any(text and not is_clock(text) for text in lengths):
            raise LogError(
                f"{self._sheet.file}:{self._sheet.heading_line}: the unit of {shown(name)} is not "
                "known, allowed: --duration-unit s, min or h"
            )
        return unit

    def _cell(self, row: Row, role: str) -> str:
        return row.cells[self._at[role]] if role in self._at else ""

    def _time_text(self, row: Row, role: str) -> str:
        text = self._cell(row, role)
        if text and "date" in self._at:
            return f"{self._cell(row, 'date')} {text}"
        return text

    def __iter__(self) -> Iterator[TimedRow]:
        """Rows with a begin, in the file's order, the newest first turned round."""
        rows = list(self._sheet.rows)
        if self._is_newest_first():
            rows.reverse()
        before_us: int | None = None
        for row in rows:
            timed = self._timed(row, before_us)
            if timed is None:
                continue
            if before_us is not None and timed.begin_us < before_us:
                self._notes.note(row.line, "order", self._time_text(row, "start"))
            before_us = timed.begin_us
            yield timed

    def _is_newest_first(self) -> bool:
        read = (self._format.read(self._time_text(row, "start")) for row in self._sheet.rows)
        begins = [time.clock for time in read if time]
        falls = sum(later < earlier for earlier, later in pairwise(begins))
        rises = sum(later > earlier for earlier, later in pairwise(begins))
        return falls > rises

    def _timed(self, row: Row, before_us: int | None) -> TimedRow | None:
        length_us, length_ok = self._length(row)
        ends = self._read(row, "end")
        if ends is None and (length_us is None or not self._time_text(row, "end")):
            self._notes.note(row.line, "bad_time", shown(self._time_text(row, "end")))
            return None
        begin = self._begin(row, ends or (), length_us, before_us)
        if begin is None:
            return None
        if ends is None:
            self._notes.note(row.line, "bad_end", shown(self._time_text(row, "end")))
            ends = ()
        if not length_ok:
            text = shown(self._cell(row, "duration"))
            self._notes.note(row.line, "bad_beside" if ends else "bad_duration", text)
            if not ends:
                return None
        if not ends:
            return TimedRow(row, begin, None if length_us is None else begin + length_us)
        return TimedRow(row, begin, self._end(row, begin, ends, length_us))

    def _length(self, row: Row) -> tuple[int | None, bool]:
        """The duration, and whether it could be read where there is one."""
        text = self._cell(row, "duration")
        if not text:
            return None, True
        length_us = read_length_us(text, self._unit, self._marks)
        if length_us is None or length_us > LONGEST_US:
            return None, False
        return length_us, True

    def _read(self, row: Row, role: str) -> tuple[int, ...] | None:
        """The instants that a row's time may be: none where there is no time, None if unread."""
        text = self._time_text(row, role)
        if not text:
            return ()
        written = self._format.read(text)
        if written is None:
            return None
        if written.coarse and self._mostly_fine:
            self._notes.note(row.line, "coarse", shown(text))
        if self._zone.leaves_out(written):
            self._notes.note(row.line, "never", shown(text))
        instants = self._zone.instants_us(written)
        if len(instants) > 1:
            self._notes.note(row.line, "twice", shown(text))
        return instants

    def _begin(
        self, row: Row, ends: tuple[int, ...], length_us: int | None, before_us: int | None
    ) -> int | None:
        begins = self._read(row, "start")
        if begins is None:
            self._notes.note(row.line, "bad_time", shown(self._time_text(row, "start")))
            return None
        if not begins:
            if ends and length_us is not None:
                return ends[0] - length_us
            self._notes.note(row.line, "no_start")
            return None
        first_us = begins[0]
        if before_us is not None and first_us < before_us <= first_us + HOUR_US:
            return begins[-1]
        return first_us

    def _end(self, row: Row, begin_us: int, ends: tuple[int, ...], length_us: int | None) -> int:
        if length_us is not None:
            near = AGREE_US + self._coarseness_us(row)
            agreeing = [end for end in ends if abs(end - begin_us - length_us) <= near]
            if agreeing:
                return agreeing[0]
            self._notes.note(row.line, "disagree", shown(self._cell(row, "duration")))
        end_us = next((end for end in ends if end >= begin_us), ends[-1])
        if end_us < begin_us and "date" in self._at:
            self._notes.note(row.line, "midnight", shown(self._time_text(row, "end")))
            written = self._format.read(self._time_text(row, "end"))
            if written is not None:
                next_day = Written(written.clock + DAY, written.offset, written.coarse)
                return self._zone.instants_us(next_day)[0]
        return end_us

    def _coarseness_us(self, row: Row) -> int:
        """What the last digit of a duration is worth."""
        value = self._marks.read(self._cell(row, "duration"))
        if value is None or self._unit is None:
            return 0
        exponent = value.as_tuple().exponent
        return round(US_IN[self._unit] * 10.0**exponent) if isinstance(exponent, int) else 0
