/* Close a shift: with the counter's reading, or saying why without, and what is odd about it. */
(function () {
  "use strict";

  const { Digits, expected, leave, log, number, onTap, openSheet, opening, plural, standing, start,
    whenOpened } = window.trialog;
  const $ = (id) => document.getElementById(id);

  let closing = null;
  const reading = new Digits("close", (value) => {
    const now = standing();
    const should = expected(now.logged);
    $("close-send").textContent = value === null ? "Close without a reading" : "Close with this reading";
    $("close-words").textContent = should === null
      ? `${plural(now.logged, "cycle")} logged. There is no opening reading to compare with.`
      : compared(value, should, now.logged);
  });
  whenOpened("close", () => { closing = {}; reading.clear(); });

  function compared(value, should, logged) {
    const base = `With ${plural(logged, "cycle")} logged it should read ${number(should)}.`;
    if (value === null || value < opening()) return base;
    const more = value - should;
    if (more === 0) return `${base} It does.`;
    return more > 0
      ? `${base} That is ${plural(more, "cycle")} nobody logged.`
      : `${base} That is ${plural(-more, "cycle")} fewer than logged.`;
  }

  function doubt(words, { events = false, reason = false } = {}) {
    $("doubt-words").textContent = words;
    $("doubt-events").hidden = !events;
    document.querySelector('[data-event="rolled over"]').hidden = !start.modulus;
    $("doubt-reason-box").hidden = !reason;
    $("doubt-send").hidden = events;
    openSheet("doubt");
  }

  function counted() {
    if (closing.counter_event === "reset" || opening() === null) return null;
    const extra = closing.counter_event === "rolled over" ? start.modulus : 0;
    return closing.counter - opening() + extra;
  }

  function closeWhenClear() {
    const logged = standing().logged;
    if (closing.counter === undefined && !closing.sure) {
      return doubt("Without a closing reading nobody can tell whether cycles went unlogged, and a " +
        "GO is impossible until an engineer adds it. Close without it?");
    }
    const falls = closing.counter < opening() && !closing.counter_event;
    if (closing.counter !== undefined && opening() !== null && falls) {
      return doubt(`${number(closing.counter)} is less than at the start ` +
        `(${number(opening())}). What happened to the counter?`, { events: true });
    }
    const machine = closing.counter === undefined ? null : counted();
    if (machine !== null && machine < logged && !closing.reason) {
      return doubt(`${plural(logged, "cycle")} are logged, but the machine counted ` +
        `${number(machine)}. Undo what was logged too much, or say why it is so.`, { reason: true });
    }
    return sendClosing();
  }

  async function sendClosing() {
    const { counter, counter_event, reason } = closing;
    const accepted = reason ? { mismatch_accepted: true, reason } : {};
    openSheet("halt");
    $("halt-title").textContent = "Closing the shift";
    $("halt-words").textContent = "It closes as soon as everything is saved.";
    $("halt-go").hidden = true;
    const answer = await log({ kind: "close", counter, counter_event, ...accepted }, { aside: false });
    $("halt-go").hidden = false;
    if (answer.saved) return leave();
    return doubt(`Not closed: ${answer.error.message}.`, { reason: true });
  }

  onTap($("close-send"), () => {
    closing = reading.value === null ? {} : { counter: reading.value };
    closeWhenClear();
  });
  onTap($("doubt-back"), () => openSheet("close"));
  document.querySelectorAll("[data-event]").forEach((target) => {
    onTap(target, () => { closing.counter_event = target.dataset.event; closeWhenClear(); });
  });
  onTap($("doubt-send"), () => {
    const needed = !$("doubt-reason-box").hidden;
    const reason = $("doubt-reason").value.trim();
    if (needed && reason === "") return $("doubt-reason").focus();
    closing.sure = true;
    if (needed) closing.reason = reason;
    return closeWhenClear();
  });
})();
