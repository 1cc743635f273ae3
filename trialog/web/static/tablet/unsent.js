/* What the server has not got yet, why, and what its logbook did not take. */
(function (root) {
  "use strict";

  const { anyOpen, closeSheets, interruptWith, onTap, outbox, shift, strip, tablet, texts, whenOpened } = root.trialog;
  const { t, plural } = texts;
  const $ = (id) => document.getElementById(id);
  const SHOWN = 30;

  function item(words, more) {
    const made = document.createElement("li");
    made.append(Object.assign(document.createElement("b"), { textContent: words }));
    if (more) made.append(` ${more}`);
    return made;
  }

  /* The running number that the page showed, where the line still stands. */
  function wordsOf(line) {
    const now = shift.standing();
    const stands = now && now.recent.findLast((one) => one.client_id === line.client_id);
    return shift.words(stands || { cycle_number: null, ...line, cycles: line.cycles || 0 });
  }

  function why() {
    const trouble = strip.trouble();
    if (trouble === "refused") return t("unsent.why_refused", { message: outbox.trouble.message });
    return t(`unsent.why_${trouble || "sending"}`);
  }

  function showWaiting() {
    const lines = outbox.waiting;
    $("unsent-why").textContent = lines.length || strip.trouble() ? why() : "";
    $("unsent-count").textContent = lines.length
      ? plural("unsent.count", lines.length, { time: shift.time(lines[0]) })
      : t("unsent.none");
    const shown = lines.slice(-SHOWN).reverse().map((line) => item(wordsOf(line), shift.time(line)));
    const rest = lines.length - shown.length;
    $("unsent-lines").replaceChildren(...shown, ...(rest > 0 ? [item(plural("unsent.more", rest))] : []));
    $("unsent-again").hidden = lines.length === 0;
  }

  function showParked() {
    const parked = outbox.parked;
    $("parked").hidden = parked.length === 0;
    $("parked-lines").replaceChildren(...parked.map(({ line, reason }) =>
      item(wordsOf(line), reason ? t("unsent.reason", { message: reason.message }) : "")));
    $("unsent-seen").hidden = parked.length === 0;
    const elsewhere = (tablet.cell && tablet.cell.parked) || 0;
    $("parked-count").textContent = elsewhere ? plural("unsent.parked_elsewhere", elsewhere) : "";
  }

  function show() {
    showWaiting();
    showParked();
  }

  whenOpened("unsent", show);
  onTap($("unsent-again"), () => { outbox.nudge(); tablet.refresh(); });
  onTap($("unsent-seen"), () => { outbox.seen(); closeSheets(); });

  /* A parked line is news that must be seen, but never on top of a sheet being filled in. */
  let told = 0;
  function interrupt() {
    const parked = outbox.parked.length;
    if (parked > told && !anyOpen()) {
      interruptWith("unsent");
      shift.say(plural("said.refused", parked));
      told = parked;
    }
    told = Math.min(told, parked);
  }

  root.trialog = Object.assign(root.trialog, {
    unsent: {
      interrupt,
      show() { if ($("sheet-unsent").open) show(); },
    },
  });
})(window);
