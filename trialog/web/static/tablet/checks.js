/* Spot check: a second person watches some cycles and taps what they see. It tells how often a
   failure goes unlogged; nothing of it is counted as a cycle. The page looks different
   throughout, so that nobody takes it for logging. */
(function (root) {
  "use strict";

  const { closeSheets, feel, modes, onTap, people, shift, tablet, texts, whenOpened } = root.trialog;
  const { t, plural } = texts;
  const $ = (id) => document.getElementById(id);

  let watcher = null;
  let seen = []; /* {client_id, failed} of this spot check, for its own undo */

  function person(one) {
    const made = document.createElement("button");
    made.type = "button";
    made.className = "target tool";
    made.textContent = one.name;
    onTap(made, () => begin(one));
    return made;
  }

  whenOpened("check", () => {
    const logging = tablet.person;
    const others = people.list().filter((one) => !logging || one.id !== logging.id);
    $("check-who").textContent = others.length
      ? t("check.who", { name: logging ? logging.name : "" })
      : t("check.nobody");
    const back = $("check-people").querySelector("[data-close]");
    $("check-people").replaceChildren(...others.map(person), back);
  });

  function begin(one) {
    closeSheets();
    watcher = one;
    seen = [];
    modes.fill($("check-modes"), (id) => tap([id]), "check-device");
    root.trialog.show("check");
    show();
  }

  async function tap(ids) {
    const line = await shift.log({
      kind: "check", person: watcher.id, cycles: 1, ...(ids.length ? { modes: ids } : {}),
    });
    seen.push({ client_id: line.client_id, failed: ids.length > 0 });
    feel(ids.length ? "failed" : "good");
    show();
  }

  async function undo() {
    const last = seen.pop();
    show();
    if (!last) return;
    await shift.log({ kind: "undo", target: last.client_id, person: watcher.id });
    feel("undone");
  }

  function show() {
    if (!watcher) return;
    const failed = seen.filter((one) => one.failed).length;
    $("check-words").textContent = t("check.words", { name: watcher.name });
    $("check-count").textContent = texts.number(seen.length);
    $("check-words-seen").textContent = plural("check.seen", seen.length, { failed });
    $("check-undo").disabled = seen.length === 0;
  }

  function end() {
    watcher = null;
    $("check-modes").querySelectorAll(".device").forEach((one) => one.remove());
    root.trialog.decide();
  }

  onTap($("check-good"), () => tap([]));
  onTap($("check-undo"), undo);
  onTap($("check-end"), end);

  root.trialog = Object.assign(root.trialog, {
    checks: { get running() { return watcher !== null; }, end, show },
  });
})(window);
