/* When nothing more can be logged: the shift is closed, or the tablet was revoked. */
(function (root) {
  "use strict";

  const { closeSheets, interruptWith, onTap, openSheet, outbox, texts } = root.trialog;
  const { t, plural } = texts;
  const $ = (id) => document.getElementById(id);
  let why = null; /* {title, words, next, act, stay, asked}; its words may change while it shows */

  function show() {
    $("halt-title").textContent = why.title();
    $("halt-words").textContent = why.words();
    $("halt-go").textContent = t(why.next);
    $("halt-stay").hidden = !why.stay;
  }

  function halt(reason) {
    why = reason;
    show();
    if (reason.asked) openSheet("halt");
    else interruptWith("halt");
  }

  function closed({ label, logged, failed }) {
    const counts = () => t("halt.closed_words", { cycles: plural("cycles", logged), failed });
    halt({
      title: () => t("halt.closed_title", { label }),
      words: () => `${counts()} ${t(outbox.waiting.length ? "halt.closed_waiting" : "halt.closed_sent")}`,
      next: "halt.next",
      act: () => root.trialog.decide(),
      asked: true,
    });
  }

  function closedElsewhere(label) {
    halt({
      title: () => t("halt.elsewhere_title", { label }),
      words: () => t("halt.elsewhere_words"),
      next: "halt.next",
      act: () => root.trialog.decide(),
    });
  }

  function revoked() {
    halt({
      title: () => t("halt.revoked_title"),
      words: () => t("halt.revoked_words"),
      next: "halt.enrol",
      act: () => root.trialog.show("enrol"),
      stay: true,
    });
  }

  onTap($("halt-go"), () => { closeSheets(); why.act(); });
  $("sheet-halt").addEventListener("cancel", (event) => {
    if ($("halt-stay").hidden) event.preventDefault(); /* there is only one way on */
  });

  root.trialog = Object.assign(root.trialog, { halts: {
      closed, closedElsewhere, revoked,
      show() { if (why && $("sheet-halt").open) show(); },
    },
  });
})(window);
