/* When nothing more can be logged: the shift is closed, or the tablet was revoked. */
(function (root) {
  "use strict";

  const { closeSheets, onTap, openSheet, outbox, shift, texts } = root.trialog;
  const { t, plural } = texts;
  const $ = (id) => document.getElementById(id);
  let go = () => {};

  function halt({ title, words, next, act, stay = false }) {
    $("halt-title").textContent = title;
    $("halt-words").textContent = words;
    $("halt-go").textContent = next;
    $("halt-stay").hidden = !stay;
    go = act;
    openSheet("halt");
  }

  function closed(label) {
    const now = shift.standing();
    const counts = now ? t("halt.closed_words", { cycles: plural("cycles", now.logged), failed: now.failed }) : "";
    halt({
      title: t("halt.closed_title", { label }),
      words: `${counts} ${t(outbox.waiting.length ? "halt.closed_waiting" : "halt.closed_sent")}`,
      next: t("halt.next"),
      act: () => root.trialog.decide(),
    });
  }

  function closedElsewhere(label) {
    halt({
      title: t("halt.elsewhere_title", { label }), words: t("halt.elsewhere_words"),
      next: t("halt.next"), act: () => root.trialog.decide(),
    });
  }

  function revoked() {
    halt({
      title: t("halt.revoked_title"), words: t("halt.revoked_words"), next: t("halt.enrol"),
      act: () => root.trialog.show("enrol"), stay: true,
    });
  }

  onTap($("halt-go"), () => { closeSheets(); go(); });
  $("sheet-halt").addEventListener("cancel", (event) => {
    if ($("halt-stay").hidden) event.preventDefault(); /* there is only one way on */
  });

  root.trialog = Object.assign(root.trialog, { halts: { closed, closedElsewhere, revoked } });
})(window);
