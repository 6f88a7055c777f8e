"use strict";
(() => {
  const grid = JSON.parse(document.getElementById("grid").textContent);
  const axes = grid.axes.length;
  const sliders = grid.axes.map((_, n) => document.getElementById(`axis${n}`));
  const machines = document.getElementById("machine");
  const WIDTH = 320, HEIGHT = 170, LEFT = 54, RIGHT = 8, TOP = 12, BOTTOM = 42;
  const SVG = "http://www.w3.org/2000/svg";
  // A point: its place on each axis, its machine, its shifts, then its measures.
  const points = new Map(grid.points.map((p) => [p.slice(0, axes + 1).join(), p]));
  let along = 0;

  const machine = () => (machines ? Number(machines.value) : 0);
  const places = () => sliders.map((slider) => Number(slider.value));
  const pointAt = (where) => points.get([...where, machine()].join());
  const measureOf = (point, n) => point && point[axes + 2 + n];

  function text(number, digits) {
    return number.toLocaleString("en-US", { minimumFractionDigits: digits, maximumFractionDigits: digits });
  }

  function reading(found, digits) {
    if (!found) return "not told here";
    const [value, seen, low, high] = found;
    if (seen === 0 && value === 0) return "none seen";
    if (low === undefined) return text(value, digits);
    return `${text(value, digits)} (${text(low, digits)} to ${text(high, digits)})${seen === 1 ? "*" : ""}`;
  }

  function draw(kind, box, attributes, words) {
    const made = document.createElementNS(SVG, kind);
    for (const [name, value] of Object.entries(attributes)) made.setAttribute(name, value);
    if (words !== undefined) made.textContent = words;
    box.append(made);
    return made;
  }

  // One scale a measure for the whole grid, so that a chart's height means the same everywhere.
  const spans = grid.measures.map((_, n) => {
    const all = grid.points.map((p) => measureOf(p, n)).filter(Boolean)
      .flatMap((m) => (m.length > 2 ? [m[0], m[2], m[3]] : [m[0]]));
    const low = Math.min(...all), high = Math.max(...all);
    const room = (high - low) * 0.06 || Math.abs(high) * 0.1 || 1;
    return all.length ? [Math.max(low - room, Math.min(low, 0)), high + room] : null;
  });

  function across(axis, place) {
    const numbers = axis.numbers;
    const part = numbers
      ? (numbers[place] - numbers[0]) / (numbers[numbers.length - 1] - numbers[0])
      : place / (axis.values.length - 1);
    return LEFT + 8 + part * (WIDTH - LEFT - RIGHT - 16);
  }

  function chart(n, here) {
    const box = document.createElementNS(SVG, "svg");
    box.setAttribute("viewBox", `0 0 ${WIDTH} ${HEIGHT}`);
    box.setAttribute("aria-hidden", "true");
    const span = spans[n], axis = grid.axes[along], digits = grid.measures[n].digits;
    if (!span) return box;
    const up = (value) => TOP + (1 - (value - span[0]) / (span[1] - span[0])) * (HEIGHT - TOP - BOTTOM);
    for (const value of [span[0], (span[0] + span[1]) / 2, span[1]]) {
      draw("line", box, { class: "base", x1: LEFT, x2: WIDTH - RIGHT, y1: up(value), y2: up(value) });
      draw("text", box, { x: LEFT - 6, y: up(value) + 5, "text-anchor": "end" }, text(value, digits));
    }
    const last = axis.values.length - 1;
    draw("text", box, { x: across(axis, 0), y: HEIGHT - 22, "text-anchor": "start" }, short(axis.values[0]));
    draw("text", box, { x: across(axis, last), y: HEIGHT - 22, "text-anchor": "end" }, short(axis.values[last]));
    draw("text", box, { x: (LEFT + WIDTH - RIGHT) / 2, y: HEIGHT - 4, "text-anchor": "middle" }, axis.label);
    axis.values.forEach((_, place) => {
      const where = [...here];
      where[along] = place;
      const found = measureOf(pointAt(where), n);
      if (!found) return;
      const x = across(axis, place), y = up(found[0]), is = place === here[along];
      if (found.length > 2) {
        draw("line", box, { class: "bar", x1: x, x2: x, y1: up(found[2]), y2: up(found[3]) });
        for (const end of [found[2], found[3]]) {
          draw("line", box, { class: "end", x1: x - 3, x2: x + 3, y1: up(end), y2: up(end) });
        }
      }
      const dot = draw("circle", box, { class: is ? "dot here" : "dot", cx: x, cy: y, r: 4 });
      if (is) draw("circle", box, { class: "ring", cx: x, cy: y, r: 8 });
      dot.addEventListener("click", () => {
        sliders[along].value = String(place);
        show();
      });
    });
    return box;
  }

  function short(words) {
    return words.length > 16 ? `${words.slice(0, 15)}…` : words;
  }

  function show() {
    const here = places(), point = pointAt(here);
    grid.axes.forEach((axis, n) => {
      const value = axis.values[here[n]];
      document.getElementById(`value${n}`).textContent = value;
      sliders[n].setAttribute("aria-valuetext", value);
    });
    const at = grid.axes.map((axis, n) => `${axis.label} ${axis.values[here[n]]}`).join(", ");
    const who = machines ? `${grid.machines[machine()]}, ` : "";
    const parts = grid.measures.map((m, n) => {
      const words = reading(measureOf(point, n), m.digits);
      document.getElementById(`reading${n}`).textContent = point ? words : "not computed";
      document.getElementById(`chart${n}`).replaceChildren(chart(n, here));
      return `${m.label} ${words}`;
    });
    document.getElementById("told").textContent = point
      ? `${who}${at}, ${text(point[axes + 1], 0)} shifts: ${parts.join("; ")}.`
      : `${who}${at}: this point was not computed, so nothing is shown.`;
  }

  sliders.forEach((slider, n) => {
    for (const kind of ["input", "focus"]) {
      slider.addEventListener(kind, () => {
        along = n;
        show();
      });
    }
  });
  if (machines) machines.addEventListener("change", show);
  sliders.forEach((slider, n) => { slider.value = String(grid.start[n]); });
  document.getElementById("explorer").hidden = false;
  show();
})();
