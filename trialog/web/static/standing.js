/* What stands: what the server last said, plus the lines it has not acknowledged yet. It knows
   no page; `name` gives the name of a failure mode by its number. */
(function (root) {
  "use strict";

  const number = (value) => value.toLocaleString("en");
  const plural = (count, word) => `${number(count)} ${word}${count === 1 ? "" : "s"}`;
  const clock = (seconds) => `${Math.floor(seconds / 60)}:${String(seconds % 60).padStart(2, "0")}`;

  function wordsOf(line, last, name) {
    if (line.kind === "good" && line.cycles === 1) return `good cycle ${number(last)}`;
    if (line.kind === "good") {
      return `${number(line.cycles)} good cycles, ${number(last - line.cycles + 1)} to ${number(last)}`;
    }
    if (line.kind === "failed") return `failed cycle ${number(last)}, ${line.modes.map(name).join(" and ")}`;
    if (line.kind === "stop") return `stop, ${clock(line.clear_seconds)} to clear`;
    if (line.kind === "note") return `note “${line.text.slice(0, 40)}”`;
    if (line.kind === "condition") return [line.condition, line.text].filter(Boolean).join(", ");
    return line.kind;
  }

  function takeBack(standing, target) {
    const line = standing.recent.find((one) => one.client_id === target);
    if (!line) return;
    standing.recent = standing.recent.filter((one) => one !== line);
    standing.logged -= line.cycles;
    if (line.kind === "failed") standing.failed -= 1;
    if (line.cycle_number === standing.last) standing.last -= line.cycles;
  }

  function count(standing, line, name) {
    const cycles = line.kind === "good" || line.kind === "failed" ? line.cycles : 0;
    standing.logged += cycles;
    standing.last += cycles;
    standing.failed += line.kind === "failed" ? 1 : 0;
    if (["close", "open"].includes(line.kind)) return;
    standing.recent.unshift({
      client_id: line.client_id, kind: line.kind, cycles, unsaved: true,
      cycle_number: cycles ? standing.last : null,
      words: wordsOf(line, standing.last, name), person: null,
    });
  }

  function standingOf(state, waiting, name) {
    const now = {
      logged: state.logged, failed: state.failed, last: state.last_number,
      recent: [...state.recent],
    };
    waiting.forEach((line) => {
      if (line.kind === "undo") takeBack(now, line.target);
      else count(now, line, name);
    });
    return now;
  }

  root.trialog = Object.assign(root.trialog || {}, { clock, number, plural, standingOf, wordsOf });
})(typeof window === "undefined" ? globalThis : window);
