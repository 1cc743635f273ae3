/* Close a shift: with the counter's reading, or saying why without, and what is odd about it.
   Where only failures were tapped, the reading first tells how many cycles were good. */
(function (root) {
  "use strict";

  const { Digits, board, counter, feel, machine, onTap, openSheet, sheet, shift, texts, whenOpened } = root.trialog;
  const { t, plural } = texts;
  const $ = (id) => document.getElementById(id);
  const NO_READING = { events: false, reason: false };

  let closing = {};
  const opening = () => shift.standing().opening;
  const logged = () => shift.standing().logged;

  function compared(value) {
    const should = shift.expected();
    const cycles = plural("cycles", logged());
    if (should === null) return t("close.no_opening", { cycles });
    const base = t("close.should", { cycles, reading: should });
    const more = value === null ? null : shift.missing(value);
    if (more === null || (value < opening() && !shift.modulus())) return base;
    if (more === 0) return `${base} ${t("close.agrees")}`;
    if (more < 0) return `${base} ${plural("close.fewer", -more)}`;
    return `${base} ${plural(board.failuresOnly() ? "close.failures" : "close.missing", more)}`;
  }

  const reading = new Digits(sheet("close"), (value) => {
    if (!shift.standing()) return;
    $("close-send").textContent = t(value === null ? "close.without" : "close.with");
    $("close-words").textContent = compared(value);
  });
  machine.beside(reading);
  whenOpened("close", () => {
    closing = {};
    reading.clear();
    machine.ask();
  });

  function doubt(words, { events, reason } = NO_READING) {
    $("doubt-words").textContent = words;
    $("doubt-events").hidden = !events;
    document.querySelector('[data-event="rolled over"]').hidden = !shift.modulus();
    $("doubt-reason-box").hidden = !reason;
    $("doubt-reason").value = "";
    $("doubt-send").hidden = events;
    openSheet("doubt");
  }

  /* Cycles by the machine; null where that cannot be known. */
  function counted() {
    if (closing.counter === undefined || closing.counter_event === "reset" || opening() === null) return null;
    const extra = closing.counter_event === "rolled over" ? shift.modulus() : 0;
    return closing.counter - opening() + extra;
  }

  function closeWhenClear() {
    if (closing.counter === undefined && !closing.sure) return doubt(t("doubt.no_reading"));
    const falls = closing.counter !== undefined && opening() !== null && closing.counter < opening();
    if (falls && !closing.counter_event) {
      const numbers = { reading: closing.counter, opening: opening() };
      return doubt(t("doubt.less", numbers), { events: true, reason: false });
    }
    const machine = counted();
    if (machine !== null && machine < logged() && !closing.reason) {
      const cycles = plural("cycles", logged());
      return doubt(t("doubt.more_logged", { cycles, counted: machine }), { events: false, reason: true });
    }
    return send();
  }

  /* A glove that bounces while a slow disk takes the closing must not close twice. */
  let busy = false;
  async function send() {
    if (busy) return;
    busy = true;
    try {
      await close();
    } finally {
      busy = false;
    }
  }

  async function close() {
    const { counter: value, counter_event, reason } = closing;
    const machine = counted();
    if (board.failuresOnly() && machine !== null && machine > logged()) counter.logReading(value);
    await shift.log({
      kind: "close",
      ...(value === undefined ? {} : { counter: value }),
      ...(counter_event ? { counter_event } : {}),
      ...(reason ? { mismatch_accepted: true, reason } : {}),
    });
    feel("chosen");
    root.trialog.halts.closed(shift.standing());
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
})(window);
