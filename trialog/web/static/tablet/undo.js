/* Undo in words, and good cycles in bulk. */
(function (root) {
  "use strict";

  const { Digits, board, closeSheets, offered, onTap, sheet, shift, texts, whenOpened } = root.trialog;
  const { t, plural } = texts;
  const $ = (id) => document.getElementById(id);
  const SHOWN = 5;
  const MANY = 200; /* good cycles at once that are asked about again */

  /* ── Undo ────────────────────────────────────────────────────────────────── */

  function button(line) {
    const made = document.createElement("button");
    made.type = "button";
    made.className = "target tool undo-line";
    made.textContent = t("undo.line", { words: shift.words(line) });
    const by = line.unsaved ? t("undo.unsaved") : (line.person && line.person.name) || "";
    if (by) made.append(Object.assign(document.createElement("small"), { textContent: by }));
    onTap(made, () => {
      closeSheets();
      board.undo(line);
    });
    return made;
  }

  whenOpened("undo", () => {
    const lines = offered(shift.standing()).slice(0, SHOWN).map(button);
    $("undo-title").textContent = t(lines.length ? "undo.title" : "undo.none");
    $("undo-lines").replaceChildren(...lines, $("undo-lines").querySelector("[data-close]"));
  });

  /* ── Bulk ────────────────────────────────────────────────────────────────── */

  let asked = 0;
  const bulk = new Digits(sheet("bulk"), (value) => {
    asked = 0;
    const { last } = shift.standing() || { last: 0 };
    $("bulk-log").disabled = !value;
    $("bulk-log").textContent = value ? plural("bulk.log_many", value) : t("bulk.log");
    $("bulk-words").textContent = value
      ? t("bulk.span", { first: last + 1, last: last + value })
      : t("bulk.hint");
  });
  whenOpened("bulk", () => bulk.clear());
  onTap($("bulk-log"), () => {
    const { value } = bulk;
    if (value > MANY && asked !== value) {
      asked = value;
      $("bulk-words").textContent = t("bulk.sure", { number: value });
      $("bulk-log").textContent = t("bulk.yes", { number: value });
      return;
    }
    closeSheets();
    board.logGood(value);
  });
})(window);
