/* The board: good cycles, failed cycles, several failures on one, and the clock that runs from
   a failure to the next good cycle. */
(function (root) {
  "use strict";

  const { clearing, clock, feel, modes, offered, onTap, openSheet, outbox, settings, shift,
    texts } = root.trialog;
  const { t } = texts;
  const $ = (id) => document.getElementById(id);

  const failuresOnly = () => settings.get("counting") === "failures";

  /* ── The clear time ──────────────────────────────────────────────────────── */

  const label = () => (shift.standing() || {}).label;
  const stoppedFor = () => clearing.seconds(shift.clearing(), label(), clock.now());

  let ended = null; /* the last clock that a good cycle ended, with the stop it logged */

  /* The stop goes first: it ended before the good cycle did. */
  async function logStop() {
    const running = shift.clearing();
    const line = clearing.stopLine(running, label(), clock.now());
    shift.setClearing(null);
    if (line === null) return;
    const logged = await shift.log(line);
    ended = { stop: logged.client_id, running };
  }

  /* ── Logging ─────────────────────────────────────────────────────────────── */

  /* A disk takes its time, and a tap must show at once: the count goes ahead of the disk, marked
     as long as it is. Nothing is taken back afterwards, since a line that the disk does not take
     counts from memory, with a warning. */
  function written(fields) {
    const line = shift.log(fields);
    const now = shift.standing();
    if (now) showCounts(now);
    return line;
  }

  async function logGood(cycles) {
    if (shift.clearing()) logStop();
    await written({ kind: "good", cycles });
    feel("good");
  }

  async function logFailed(ids) {
    const logged = written({
      kind: "failed", cycles: 1, modes: ids, ...(failuresOnly() ? { placed: false } : {}),
    });
    const effects = ids.map((id) => shift.mode(id).effect);
    const at = clock.now();
    const line = await logged;
    shift.setClearing(
      clearing.begun(shift.clearing(), { shift: label(), target: line.client_id, effects, at }));
    feel("failed");
    show();
  }

  /* Undoing the failure that began the clock ends it; undoing the stop lets it go on. */
  async function undo(line) {
    await shift.log({ kind: "undo", target: line.client_id });
    const running = shift.clearing();
    if (running && running.target === line.client_id) shift.setClearing(null);
    if (ended && ended.stop === line.client_id && !running) shift.setClearing(ended.running);
    feel("undone");
    shift.say(t("said.undone", { words: shift.words(line) }));
    show();
  }

  onTap($("good"), () => logGood(1));
  onTap($("again"), () => { logStop().then(() => feel("good")); });
  onTap($("reading"), () => openSheet("counter"));

  /* One tap on a failure mode is one failed cycle. Two modes on one cycle are rare, so they
     pay for a second step instead of every failure paying for it: the switch turns taps on
     modes into a choice, and the place of the largest target becomes "Log failed cycle" with
     the chosen modes on it. Good cycles cannot be logged meanwhile, so nobody forgets it. */
  const chosen = new Set();
  const collecting = () => $("several").getAttribute("aria-pressed") === "true";
  const targets = () => $("modes").querySelectorAll("[data-mode]");

  function collect(on) {
    chosen.clear();
    $("several").setAttribute("aria-pressed", String(on));
    show();
  }

  /* Nothing is chosen most of the time, and then there is nothing to draw anew. */
  let drawn = "";
  function showChosen() {
    const next = collecting() ? (shift.standing() || { last: 0 }).last + 1 : null;
    const now = JSON.stringify([next, [...chosen], texts.tag]);
    if (now === drawn) return;
    drawn = now;
    targets().forEach((target) => {
      const picked = String(chosen.has(Number(target.dataset.mode)));
      if (collecting()) target.setAttribute("aria-pressed", picked);
      else target.removeAttribute("aria-pressed");
    });
    $("several-name").textContent = t(collecting() ? "cancel" : "board.several");
    $("collect").disabled = chosen.size === 0;
    $("collect-name").textContent = next === null ? "" : t("board.collect", { number: next });
    $("collect-modes").textContent = chosen.size
      ? texts.list([...chosen].map(shift.modeName))
      : t("board.collect_hint");
  }

  function tapMode(id) {
    if (!collecting()) return logFailed([id]);
    if (!chosen.delete(id)) chosen.add(id);
    feel("chosen");
    return showChosen();
  }

  modes.onDraw(() => {
    modes.fill($("modes"), tapMode, "device");
    drawn = "";
  });
  onTap($("several"), () => collect(!collecting()));
  onTap($("collect"), () => {
    logFailed([...chosen]);
    collect(false);
  });

  /* ── Showing it ──────────────────────────────────────────────────────────── */

  function put(id, text) {
    if ($(id).textContent !== text) $(id).textContent = text;
  }

  function hide(id, on) {
    if ($(id).hidden !== on) $(id).hidden = on;
  }

  /* The largest place holds what comes next: good cycle, the failed one being put together,
     or, where only failures are tapped, the counter or the cell that runs again. */
  function showPlace() {
    const stopped = stoppedFor() !== null;
    const choosing = collecting();
    const only = failuresOnly();
    hide("collect", !choosing);
    hide("good", choosing || only);
    hide("again", choosing || !only || !stopped);
    hide("reading", choosing || !only || stopped);
    document.body.classList.toggle("collecting", choosing);
  }

  function showClock() {
    const seconds = stoppedFor();
    const time = seconds === null ? "" : texts.length(seconds);
    const every = seconds !== null && !failuresOnly();
    put("stopped-for", every ? t("board.stopped", { time }) : "");
    put("again-clock", seconds === null ? "" : t("board.again_clock", { time }));
    hide("stopped", !every);
  }

  function showCounts(now) {
    const ahead = outbox.beingWritten.filter((line) => line.shift === now.label && line.cycles);
    const failed = ahead.filter((line) => line.kind === "failed").length;
    const logged = ahead.reduce((sum, line) => sum + line.cycles, now.logged);
    ["logged", "reading-logged"].forEach((id) => {
      put(id, texts.number(logged));
      $(id).classList.toggle("ahead", ahead.length > 0);
    });
    ["failed", "reading-failed"].forEach((id) => put(id, texts.number(now.failed + failed)));
  }

  function show() {
    const now = shift.standing();
    if (!now) return;
    const [last] = offered(now);
    const words = last ? shift.words(last) : t("board.nothing");
    showCounts(now);
    ["last", "reading-last", "again-last"].forEach((id) => put(id, t("board.last", { words })));
    put("undo-last", last ? words : "");
    showPlace();
    showChosen();
    showClock();
  }

  setInterval(() => { if (stoppedFor() !== null) showClock(); }, 1000);

  root.trialog = Object.assign(root.trialog, {
    board: { collect, failuresOnly, logGood, logStop, show, stoppedFor, undo },
  });
})(window);
