/* Open a shift: the counter's reading and one tap; name, stage and conditions where they differ.
   It works without a network: the shift's opening is a line like any other. */
(function (root) {
  "use strict";

  const { Digits, board, closeSheets, feel, machine, nextLabel, onTap, outbox, settings, shift, store, strip, tablet,
    texts, whenOpened } = root.trialog;
  const { t } = texts;
  const $ = (id) => document.getElementById(id);
  const KEPT = 20; /* names of shifts: more than a long weekend has */
  const STAGES = ["by hand", "robot attended", "unattended"];

  let stage = STAGES[0];
  let named = null; /* the name that somebody typed; null: the suggested one */
  const ticked = new Set();

  /* Names that shifts have: those the server told, those that wait to be told to it, and those
     seen here since; what the server told may be hours old. */
  function taken() {
    const waiting = shift.waiting().filter((line) => line.kind === "open").map((line) => line.shift);
    return [...(tablet.cell.labels || []), ...waiting, ...(store.get(seenAt()) || [])];
  }

  const seenAt = () => `labels of ${tablet.cellId}`;

  function remember(seen) {
    const known = store.get(seenAt()) || [];
    if (!known.includes(seen)) store.set(seenAt(), [seen, ...known].slice(0, KEPT));
  }

  /* The server's suggestion, unless the day is over or a shift of this tablet has it already. */
  function suggested() {
    const { next_label: next } = tablet.cell;
    const fits = next && next.startsWith(shift.date()) && !taken().includes(next);
    return fits ? next : nextLabel(shift.date(), taken());
  }

  const label = () => (named === null ? suggested() : named);

  const typed = new Digits($("screen-open"), () => show());
  machine.beside(typed);
  const lot = () => $("open-lot").value.trim();
  const conditions = () => [
    ...(ticked.has("cold start") ? [{ condition: "cold start" }] : []),
    ...(ticked.has("new material lot") || lot()
      ? [{ condition: "new material lot", ...(lot() ? { text: lot() } : {}) }] : []),
  ];

  function problem() {
    if (label() === "") return t("open.label_missing");
    if (taken().includes(label())) return t("open.label_taken", { label: label() });
    if (board.failuresOnly() && typed.value === null) return t("open.needs_reading");
    return "";
  }

  const summary = () => [
    label(), t(`stage.${stage}`), t(`counting.${settings.get("counting")}`),
    ...conditions().map((one) => shift.words({ kind: "condition", ...one })),
  ].join(" · ");

  function press(selector, isOn) {
    document.querySelectorAll(selector).forEach((target) => {
      target.setAttribute("aria-pressed", String(isOn(target.dataset)));
    });
  }

  function show() {
    if (!tablet.cell || $("screen-open").hidden) return;
    const wrong = problem();
    const previous = tablet.cell.last_counter;
    $("open-cell").textContent = tablet.cell.name;
    $("open-summary").textContent = summary();
    $("open-problem").textContent = wrong;
    $("open-problem").hidden = wrong === "";
    $("open-details-problem").textContent = wrong;
    $("open-go").disabled = wrong !== "";
    $("open-go-words").textContent = t("open.go");
    $("open-go-reading").textContent = typed.value === null
      ? t("open.without") : t("open.with", { reading: typed.value });
    /* One of the two: what the machine says now is newer, and five targets leave the digits no room. */
    $("open-previous").hidden = machine.told() !== null;
    $("open-previous").disabled = previous === null || previous === undefined;
    $("open-previous-words").textContent = $("open-previous").disabled
      ? t("open.no_previous") : t("open.previous", { reading: previous });
    $("open-who-name").textContent = tablet.person ? tablet.person.name : "";
    $("open-saved").textContent = strip.line();
    press("#sheet-open [data-stage]", (data) => data.stage === stage);
    press("#sheet-open [data-start]", (data) => ticked.has(data.start));
    press("#sheet-open [data-counting]", (data) => data.counting === settings.get("counting"));
  }

  /* A fresh opening, each time the screen comes up. */
  function begin() {
    const known = tablet.cell.stage;
    stage = STAGES.includes(known) ? known : STAGES[0];
    named = null;
    ticked.clear();
    $("open-lot").value = "";
    typed.clear();
    if (outbox.waiting.length === 0) tablet.refresh(); /* the reading that the last shift closed with */
    machine.ask();
  }

  let busy = false;
  async function open() {
    if (busy || problem() !== "") return;
    busy = true;
    const fields = { kind: "open", shift: label(), stage };
    if (typed.value !== null) fields.counter = typed.value;
    const first = conditions();
    await outbox.add(fields);
    await Promise.all(first.map((one) => shift.log({ kind: "condition", ...one })));
    busy = false;
    feel("chosen");
    root.trialog.decide();
  }

  onTap($("open-go"), open);
  onTap($("open-previous"), () => typed.set(String(tablet.cell.last_counter)));
  onTap($("open-who"), () => root.trialog.show("people"));
  onTap($("open-change-cell"), () => {
    closeSheets();
    root.trialog.show("cell");
  });

  whenOpened("open", () => {
    $("open-label").value = label();
    show();
  });
  $("open-label").addEventListener("input", (event) => {
    named = event.target.value.trim();
    show();
  });
  $("open-lot").addEventListener("input", show);
  document.querySelectorAll("#sheet-open [data-stage]").forEach((target) => {
    onTap(target, () => { ({ stage } = target.dataset); show(); });
  });
  document.querySelectorAll("#sheet-open [data-start]").forEach((target) => {
    const { start } = target.dataset;
    onTap(target, () => { if (!ticked.delete(start)) ticked.add(start); show(); });
  });
  document.querySelectorAll("[data-counting]").forEach((target) => {
    onTap(target, () => settings.set("counting", target.dataset.counting));
  });

  root.trialog = Object.assign(root.trialog, { opening: { begin, remember, show } });
})(window);
