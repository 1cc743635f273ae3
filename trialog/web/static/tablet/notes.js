/* Notes, typed or from a list, and conditions in one tap. */
(function (root) {
  "use strict";

  const { closeSheets, feel, onTap, shift, store, texts, whenOpened } = root.trialog;
  const { t } = texts;
  const $ = (id) => document.getElementById(id);
  const LOT = "new material lot";
  const OWN = 3; /* of this tablet's last notes in the list */
  const PHRASES = [1, 2, 3, 4, 5, 6].map((number) => `note.phrase.${number}`);

  async function save(text) {
    closeSheets();
    await shift.log({ kind: "note", text });
    feel("chosen");
    const phrases = PHRASES.map((key) => t(key));
    if (phrases.includes(text)) return;
    const last = (store.get("notes") || []).filter((one) => one !== text);
    store.set("notes", [text, ...last].slice(0, OWN));
  }

  function phrase(text) {
    const made = document.createElement("button");
    made.type = "button";
    made.className = "target tool phrase";
    made.append(Object.assign(document.createElement("span"), { className: "phrase-words", textContent: text }));
    onTap(made, () => save(text));
    return made;
  }

  whenOpened("note", () => {
    $("note-text").value = "";
    const own = store.get("notes") || [];
    $("note-phrases").replaceChildren(...[...own, ...PHRASES.map((key) => t(key))].map(phrase));
  });
  onTap($("note-log"), () => {
    const text = $("note-text").value.trim();
    if (text === "") $("note-text").focus();
    else save(text);
  });

  whenOpened("condition", () => { $("lot").value = ""; });
  document.querySelectorAll("[data-condition]").forEach((target) => {
    onTap(target, () => {
      const { condition } = target.dataset;
      const text = condition === LOT ? $("lot").value.trim() : "";
      closeSheets();
      shift.log({ kind: "condition", condition, ...(text ? { text } : {}) }).then(() => feel("chosen"));
    });
  });
})(window);
