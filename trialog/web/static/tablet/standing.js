/* What stands: what the server last said, plus the lines it has not acknowledged yet. Numbers
   only; it knows no page and no words. */
(function (root) {
  "use strict";

  const OFFERED = 6; /* lines that can be undone: they fill one screen */
  const CYCLES = ["good", "failed"];
  const FIXED = ["open", "close", "undo"];

  function fromState(state) {
    return {
      label: state.label, stage: state.stage, open: state.open, logged: state.logged,
      failed: state.failed, last: state.last_number, checked: state.checked || 0,
      opening: state.opening_counter, recent: [...state.recent].reverse(), closedHere: false,
    };
  }

  function opened(line) {
    return {
      label: line.shift, stage: line.stage, open: true, logged: 0, failed: 0, last: 0, checked: 0,
      opening: line.counter === undefined ? null : line.counter, recent: [], closedHere: false,
    };
  }

  /* What the counter should read; null without an opening reading. */
  function expected(now, modulus) {
    if (!now || now.opening === null) return null;
    const reading = now.opening + now.logged;
    return modulus ? reading % modulus : reading;
  }

  /* Cycles that the counter has more than the log: negative where more is logged. A counter
     that starts again at 0 has gone round when that is the shorter way. */
  function missing(now, reading, modulus) {
    const should = expected(now, modulus);
    if (should === null || reading === null) return null;
    const more = reading - should;
    if (!modulus || Math.abs(more) <= modulus / 2) return more;
    return more < 0 ? more + modulus : more - modulus;
  }

  function cyclesOf(now, line, modulus) {
    if (!CYCLES.includes(line.kind)) return 0;
    if (line.kind === "good" && line.cycles === undefined) {
      return Math.max(0, missing(now, line.counter, modulus) || 0);
    }
    return line.cycles || 1;
  }

  function takeBack(now, target) {
    const place = now.recent.findLastIndex((one) => one.client_id === target);
    if (place < 0) return;
    const [line] = now.recent.splice(place, 1);
    if (line.kind === "check") now.checked -= line.cycles;
    if (!CYCLES.includes(line.kind)) return;
    now.logged -= line.cycles;
    if (line.kind === "failed") now.failed -= 1;
    if (line.cycle_number === now.last) now.last -= line.cycles;
  }

  function count(now, line, modulus) {
    const cycles = cyclesOf(now, line, modulus);
    now.logged += cycles;
    now.last += cycles;
    now.failed += line.kind === "failed" ? 1 : 0;
    now.checked += line.kind === "check" ? line.cycles : 0;
    if (FIXED.includes(line.kind)) return;
    now.recent.push({
      ...line, cycles: line.kind === "check" ? line.cycles : cycles, unsaved: true,
      cycle_number: cycles && line.placed !== false ? now.last : null,
    });
  }

  /* Lines of another shift wait too (closed, maybe parked later): they change nothing here. */
  function step(now, line, modulus) {
    if (line.kind === "open") {
      return now && now.open && now.label === line.shift ? now : opened(line);
    }
    if (!now || (line.shift && line.shift !== now.label)) return now;
    if (line.kind === "close") Object.assign(now, { open: false, closedHere: true });
    else if (line.kind === "undo") takeBack(now, line.target);
    else count(now, line, modulus);
    return now;
  }

  /* Counting 2,000 waiting lines anew at each tap would take longer than a tap may: as long as
     lines are only added, this goes on from where it was. */
  class Standing {
    constructor() {
      this.seen = { state: undefined, first: null, last: null, count: 0, modulus: null };
      this.now = null;
    }

    of(state, waiting, modulus = null) {
      const { seen } = this;
      const grown = seen.state === state && seen.modulus === modulus &&
        waiting.length >= seen.count && (seen.count === 0 ||
          (waiting[0] === seen.first && waiting[seen.count - 1] === seen.last));
      if (!grown) this.now = state ? fromState(state) : null;
      for (let at = grown ? seen.count : 0; at < waiting.length; at += 1) {
        this.now = step(this.now, waiting[at], modulus);
      }
      this.seen = {
        state, modulus, count: waiting.length, first: waiting[0] || null,
        last: waiting[waiting.length - 1] || null,
      };
      return this.now;
    }
  }

  /* Return how the shift stands; null where there is none. */
  function standingOf(state, waiting, modulus = null) {
    return new Standing().of(state, waiting, modulus);
  }

  /* The last lines that stand, newest first. What a second person saw is theirs to undo. */
  function offered(now) {
    if (!now) return [];
    return now.recent.filter((line) => line.kind !== "check").slice(-OFFERED).reverse();
  }

  /* The next free name for a shift: the date with a letter, after Z with a number. */
  function nextLabel(date, taken) {
    const used = new Set(taken);
    for (let mark = 0; ; mark += 1) {
      const label = `${date} ${mark < 26 ? String.fromCharCode(65 + mark) : mark + 1}`;
      if (!used.has(label)) return label;
    }
  }

  root.trialog = Object.assign(root.trialog || {}, {
    Standing, expected, missing, nextLabel, offered, standingOf,
  });
})(typeof window === "undefined" ? globalThis : window);
