"use strict";
(() => {
  const shift = JSON.parse(document.getElementById("shift").textContent);
  const byId = (id) => document.getElementById(id);
  const make = (name, kind, text) => {
    const made = document.createElement(name);
    if (kind) made.className = kind;
    if (text !== undefined) made.textContent = text;
    return made;
  };
  const SIGNS = { missed: "", double: "2", unopened: "u", skewed: "s", jam: "J" };
  const SHOWN_POCKETS = 12;

  // Times are in microseconds from the shift's start.
  const clock = (at) => {
    const s = Math.floor(at / 1e6);
    const two = (n) => String(n).padStart(2, "0");
    return `${Math.floor(s / 3600)}:${two(Math.floor(s / 60) % 60)}:${two(s % 60)}`;
  };
  const lasting = (us) => {
    const s = us / 1e6;
    return s < 120 ? `${s < 10 ? s.toFixed(1) : Math.round(s)} s` : `${(s / 60).toFixed(1)} min`;
  };
  const lastAt = (list, at) => {
    let low = 0;
    let high = list.length;
    while (low < high) {
      const middle = (low + high) >> 1;
      if (list[middle][0] <= at) low = middle + 1;
      else high = middle;
    }
    return low - 1;
  };
  const ended = ([first, spacing, count], at) => {
    if (at < first) return 0;
    return count === 1 ? 1 : Math.min(count, Math.floor((at - first) / spacing) + 1);
  };

  // What holds at an instant: at its end, when all its steps are taken.
  const lanesAt = (machine, at) => {
    const bags = machine.start.slice();
    for (const [when, lane, change] of machine.bags) {
      if (when > at) break;
      bags[lane - 1] += change;
    }
    for (const run of machine.runs) bags[run[3] - 1] -= ended(run, at) * run[5];
    return bags;
  };
  const packsAt = (machine, at) => {
    let packs = machine.stock.start;
    for (const run of machine.runs) if (run[4] === "good") packs += ended(run, at);
    for (const run of machine.stock.taken) packs -= ended(run, at);
    return packs;
  };
  const pocketsAt = (machine, at) => {
    const since = at - 40 * machine.cycle;
    const found = [];
    for (const run of machine.runs) {
      const number = ended(run, at);
      for (let k = number - 1; k >= 0; k -= 1) {
        const when = run[0] + k * run[1];
        if (when <= since || number - k > SHOWN_POCKETS) break;
        found.push([when, run[4]]);
      }
    }
    return found.sort((a, b) => a[0] - b[0]).slice(-SHOWN_POCKETS);
  };

  // The hall, built once.
  const hall = byId("hall");
  const seen = shift.machines.map((machine, number) => {
    const box = hall.appendChild(make("article", "machine"));
    box.appendChild(make("h3", "", `${number + 1}. ${machine.name}`));
    const state = box.appendChild(make("div", "state"));
    const swatch = state.appendChild(make("span", "swatch"));
    const words = state.appendChild(make("span"));
    const queue = (label, size, level, kind) => {
      const row = box.appendChild(make("div", "lane"));
      row.appendChild(make("span", "", label));
      const bar = row.appendChild(make("div", `queue ${kind}`));
      const fill = bar.appendChild(make("div", "fill"));
      if (level > 0) {
        const mark = bar.appendChild(make("div", "level"));
        mark.style.left = `${(100 * level) / size}%`;
      }
      return { bar, fill, size, count: row.appendChild(make("span", "count")) };
    };
    const lanes = machine.start.map((_, lane) =>
      queue(`lane ${lane + 1}`, machine.capacity, machine.call, ""));
    const stock = machine.stock ? queue("packs", machine.stock.size, 0, "packs") : null;
    const pockets = box.appendChild(make("div", "pockets"));
    pockets.setAttribute("role", "img");
    return { swatch, words, lanes, stock, pockets };
  });
  const people = byId("people");
  const placeOf = (machine) => (100 * (machine + 1)) / shift.machines.length;
  const walkers = shift.operators.map((_, number) => {
    const box = people.appendChild(make("div", "person"));
    const told = box.appendChild(make("div"));
    const way = box.appendChild(make("div", "way"));
    for (let stop = -1; stop < shift.machines.length; stop += 1) {
      const mark = way.appendChild(make("div", "stop"));
      mark.style.left = `${placeOf(stop)}%`;
      mark.appendChild(make("span", "", stop < 0 ? "base" : String(stop + 1)));
    }
    const walker = way.appendChild(make("div", "walker"));
    return { told, walker, name: `operator ${number + 1}` };
  });

  const showQueue = (queue, held, fresh, unit) => {
    queue.fill.style.width = `${(100 * held) / queue.size}%`;
    queue.count.textContent = `${held} of ${queue.size}${unit}`;
    queue.bar.classList.toggle("fresh", fresh);
  };
  const showMachine = (machine, parts, at) => {
    const [since, state] = machine.states[Math.max(0, lastAt(machine.states, at))];
    parts.swatch.className = `swatch ${shift.looks[machine.looks[state]]}`;
    parts.words.textContent = `${machine.names[state]}, for ${lasting(at - since)}`;
    const near = machine.bags.filter(([when, , change]) => change > 0 && when <= at && at - when < 2e6);
    lanesAt(machine, at).forEach((bags, lane) =>
      showQueue(parts.lanes[lane], bags, near.some((load) => load[1] === lane + 1), ""));
    if (parts.stock) showQueue(parts.stock, packsAt(machine, at), false, "");
    const pockets = pocketsAt(machine, at);
    const counts = {};
    parts.pockets.replaceChildren(...pockets.map(([, outcome]) => {
      counts[outcome] = (counts[outcome] || 0) + 1;
      return make("span", `pocket ${outcome}`, SIGNS[outcome] || "");
    }));
    const told = Object.entries(counts).map(([outcome, count]) => `${count} ${outcome}`).join(", ");
    parts.pockets.setAttribute("aria-label", told ? `the last pockets: ${told}` : "no pockets lately");
    if (!pockets.length) parts.pockets.append(make("span", "soft", "no pockets lately"));
  };
  const showPerson = (stays, parts, at) => {
    const [begin, end, kind, to, from, task] = stays[Math.max(0, lastAt(stays, at))];
    const place = kind === "walking"
      ? placeOf(from) + ((placeOf(to) - placeOf(from)) * (at - begin)) / Math.max(1, end - begin)
      : placeOf(to);
    parts.walker.style.left = `${place}%`;
    parts.walker.className = `walker ${shift.looks[shift.stays[kind]]}`;
    const where = to >= 0 ? ` at ${shift.machines[to].name}` : "";
    const doing = {
      walking: `walks ${to >= 0 ? `to ${shift.machines[to].name}` : "to the base"}: ${task}`,
      "at the base": "is at the base",
      break: "is away for a break",
      duty: `has a duty at the base: ${task}`,
    }[kind] || `is ${kind}${where}${kind === "loading" ? "" : `: ${task}`}`;
    parts.told.textContent = `${parts.name} ${doing}`;
  };

  // Where we are: an instant, and the number of the last event told.
  const slider = byId("time");
  slider.min = shift.start;
  slider.max = shift.end;
  slider.step = 1;
  const cursors = [...document.querySelectorAll(".cursor")];
  let now = shift.start;
  let event = -1;
  let timer = 0;

  const isMain = ([, , what]) => what === 1;
  const show = (tell) => {
    slider.value = now;
    byId("clock").textContent = clock(now);
    const share = (now - shift.start) / (shift.end - shift.start);
    const left = `${100 * (shift.axis[0] + shift.axis[1] * share)}%`;
    for (const cursor of cursors) cursor.style.left = left;
    shift.machines.forEach((machine, number) => showMachine(machine, seen[number], now));
    shift.operators.forEach((stays, number) => showPerson(stays, walkers[number], now));
    const words = event >= 0 ? `${shift.events[event][3]}` : "the shift as it begins here";
    const who = event >= 0 ? `${shift.names[shift.events[event][1]]}: ` : "";
    byId("place").textContent = event >= 0
      ? `event ${event + 1} of ${shift.events.length}` : `${shift.events.length} events`;
    slider.setAttribute("aria-valuetext", `${clock(now)}, ${who}${words}`);
    if (tell || !timer) {
      const at = event >= 0 ? shift.events[event][0] : now;
      const when = event >= 0 ? `${at < now ? "last, at " : ""}${clock(at)} ` : "";
      byId("told").textContent = `${when}${who}${words}`;
    }
  };
  const goTo = (at) => {
    now = Math.min(shift.end, Math.max(shift.start, at));
    event = lastAt(shift.events, now);
    show(true);
  };
  const goToEvent = (number) => {
    event = number;
    now = number >= 0 ? shift.events[number][0] : shift.start;
    show(true);
  };
  const nextCycle = (direction) => {
    let best = direction > 0 ? Infinity : -Infinity;
    for (const machine of shift.machines) {
      for (const run of machine.runs) {
        let when;
        if (direction > 0) {
          const number = ended(run, now);
          if (number >= run[2]) continue;
          when = run[0] + number * run[1];
          if (when < best) best = when;
        } else {
          const number = ended(run, now - 1);
          if (!number) continue;
          when = run[0] + (number - 1) * run[1];
          if (when > best) best = when;
        }
      }
    }
    return best;
  };
  const step = (direction) => {
    stop();
    const kinds = byId("kinds").value;
    let number = event + direction;
    if (kinds === "main") {
      while (number >= 0 && number < shift.events.length && !isMain(shift.events[number])) {
        number += direction;
      }
    }
    if (kinds === "cycles") {
      const cycle = nextCycle(direction);
      const at = number >= 0 && number < shift.events.length
        ? shift.events[number][0] : direction * Infinity;
      if (Number.isFinite(cycle) && (direction > 0 ? cycle < at : cycle > at)) {
        goTo(cycle);
        byId("told").textContent = `${clock(cycle)} a cycle ends`;
        return;
      }
    }
    if (number >= shift.events.length) {
      event = shift.events.length - 1;
      now = shift.end;
      show(true);
      return;
    }
    goToEvent(Math.max(-1, number));
  };
  const stop = () => {
    if (!timer) return;
    cancelAnimationFrame(timer);
    timer = 0;
    byId("play").setAttribute("aria-pressed", "false");
    byId("play").textContent = "Play";
    show(true);
  };
  const play = () => {
    if (timer) {
      stop();
      return;
    }
    if (now >= shift.end) goTo(shift.start);
    byId("play").setAttribute("aria-pressed", "true");
    byId("play").textContent = "Stop";
    let before = performance.now();
    const frame = (moment) => {
      now = Math.min(shift.end, now + (moment - before) * 1000 * Number(byId("speed").value));
      before = moment;
      event = lastAt(shift.events, now);
      timer = requestAnimationFrame(frame);
      show(false);
      if (now >= shift.end) stop();
    };
    timer = requestAnimationFrame(frame);
  };

  byId("first").addEventListener("click", () => { stop(); goTo(shift.start); });
  byId("last").addEventListener("click", () => { stop(); goTo(shift.end); });
  byId("previous").addEventListener("click", () => step(-1));
  byId("next").addEventListener("click", () => step(1));
  byId("play").addEventListener("click", play);
  slider.addEventListener("input", () => { stop(); goTo(Number(slider.value)); });

  const KEYS = {
    ArrowRight: () => step(1),
    ArrowLeft: () => step(-1),
    ArrowUp: () => step(1),
    ArrowDown: () => step(-1),
    PageDown: () => { for (let k = 0; k < 10; k += 1) step(1); },
    PageUp: () => { for (let k = 0; k < 10; k += 1) step(-1); },
    Home: () => { stop(); goTo(shift.start); },
    End: () => { stop(); goTo(shift.end); },
    " ": play,
  };
  document.addEventListener("keydown", (pressed) => {
    if (pressed.ctrlKey || pressed.altKey || pressed.metaKey || !KEYS[pressed.key]) return;
    const { target } = pressed;
    const sideways = pressed.key === "ArrowRight" || pressed.key === "ArrowLeft";
    const onSlider = target === slider;
    const onButton = target instanceof HTMLButtonElement && byId("stepper").contains(target);
    if (!onSlider && !(sideways && (onButton || target === document.body))) return;
    pressed.preventDefault();
    KEYS[pressed.key]();
  });

  // Times in the table lead to their instants.
  for (const cell of document.querySelectorAll("#story td[data-at]")) {
    const link = make("a", "", cell.textContent);
    link.href = `#t=${cell.dataset.at}`;
    cell.replaceChildren(link);
  }
  const fromAddress = () => {
    const found = /^#t=(\d+)$/.exec(location.hash);
    if (!found) return false;
    stop();
    goTo(Number(found[1]));
    byId("stepper").scrollIntoView();
    slider.focus({ preventScroll: true });
    return true;
  };
  addEventListener("hashchange", fromAddress);

  byId("stepper").hidden = false;
  for (const cursor of cursors) cursor.hidden = false;
  if (!fromAddress()) goTo(shift.start);
})();
