/* The clear time: from a failure that stops the cell, or may have damaged it, to the next good
   cycle. It knows no page: what runs is kept as plain data, so that a reload does not end it. */
(function (root) {
  "use strict";

  const STARTS = ["stops the cell", "can damage"];
  const LONGEST = 12 * 3600; /* s; a clock that ran longer was forgotten */

  /* `effects` are those of the modes on the failed cycle. A clock that runs goes on. */
  function begun(running, { shift, target, effects, at }) {
    if (running && running.shift === shift) return running;
    return effects.some((effect) => STARTS.includes(effect)) ? { shift, target, at } : null;
  }

  function byHand(running, { shift, at }) {
    return running && running.shift === shift ? running : { shift, target: null, at };
  }

  /* Seconds so far, or null where nothing runs in this shift. */
  function seconds(running, shift, now) {
    if (!running || running.shift !== shift) return null;
    return Math.max(0, Math.round((now - running.at) / 1000));
  }

  /* What to log when the cell runs again; null where nothing ran, or too long to be true. */
  function stopLine(running, shift, now) {
    const long = seconds(running, shift, now);
    return long === null || long > LONGEST ? null : { kind: "stop", shift, clear_seconds: long };
  }

  root.trialog = Object.assign(root.trialog || {}, {
    clearing: { begun, byHand, seconds, stopLine },
  });
})(typeof window === "undefined" ? globalThis : window);
