/* What is always in sight: the shift and its counter, what the server has not got yet, since
   when and why, who logs, and what is wrong with this tablet. */
(function (root) {
  "use strict";

  const { clock, outbox, shift, store, tablet, texts } = root.trialog;
  const { t, plural } = texts;
  const $ = (id) => document.getElementById(id);
  const CLOCK_OFF = 120; /* seconds that a tablet's clock may differ before it is shown */

  function put(element, text) {
    if (element.textContent !== text) element.textContent = text;
    if (element.hidden !== (text === "")) element.hidden = text === "";
  }

  /* Why lines wait; null while all is well. */
  function trouble() {
    const found = outbox.trouble;
    if (found && found.kind === "revoked") return "revoked";
    if (found && found.kind === "refused") return "refused";
    if (root.navigator.onLine === false) return "offline";
    return found ? "unreachable" : null;
  }

  /* The first words are what a glance must tell; the second say since when and why. */
  function saved() {
    const waits = outbox.waiting.length;
    const why = trouble();
    const parked = outbox.parked.length;
    const bad = ["revoked", "refused"].includes(why);
    if (waits === 0 && !bad) {
      if (parked) return { sign: "▲", words: plural("saved.parked", parked), why: "" };
      if (why) return { sign: "▲", words: t(`saved.${why}`), why: "" };
      return { sign: "●", words: t("saved.all"), why: "" };
    }
    const since = waits ? t("saved.since", { time: shift.time(outbox.waiting[0]) }) : "";
    const reason = why ? t(`saved.${why}`) : t("saved.sending");
    return {
      sign: "▲",
      words: waits ? plural("saved.waiting", waits) : reason,
      why: [waits ? since : "", waits ? reason : "", parked ? plural("saved.parked", parked) : ""]
        .filter(Boolean).join(" · "),
    };
  }

  /* The same in one line, for pages that are not the board. */
  function line() {
    const now = saved();
    return [`${now.sign} ${now.words}`, now.why].filter(Boolean).join(" · ");
  }

  let told = "";
  let owed = false; /* that all is saved again, to somebody who heard that it was not */
  function showSaved() {
    const now = saved();
    put($("saved-sign"), now.sign);
    put($("saved-words"), now.words);
    put($("saved-why"), now.why);
    $("saved").classList.toggle("unsaved", now.sign === "▲");
    /* A reader hears that something changed, not every line that comes and goes. */
    const news = trouble() || "";
    const well = owed && now.sign === "●";
    if (well || (news && news !== told)) $("saved-said").textContent = `${now.words} ${now.why}`.trim();
    owed = (owed || news !== "") && !well;
    told = news;
  }

  function counterWords() {
    const reading = shift.expected();
    return reading === null ? t("strip.no_counter") : t("strip.counter", { reading });
  }

  function clockWords() {
    const { ahead } = clock;
    if (ahead === null || Math.abs(ahead) <= CLOCK_OFF) return "";
    const time = texts.length(Math.round(Math.abs(ahead)));
    return t(ahead > 0 ? "strip.clock_ahead" : "strip.clock_behind", { time });
  }

  const secure = () => root.isSecureContext;

  /* The one thing that must be known before anything else. */
  function warning() {
    if (outbox.notKept > 0) return ["loud", plural("banner.not_kept", outbox.notKept)];
    if (trouble() === "revoked") return ["loud", t("banner.revoked")];
    if (!store.kept) return ["loud", t("banner.storage")];
    if (root.trialog.update && root.trialog.update.ready) return ["mild", t("banner.update")];
    if (!secure()) return ["mild", t("banner.http")];
    return ["", ""];
  }

  function showBanner() {
    const [kind, words] = warning();
    put($("banner"), words);
    $("banner").classList.toggle("loud", kind === "loud");
  }

  function show() {
    const now = shift.standing();
    showSaved();
    showBanner();
    put($("clock-off"), clockWords());
    if (tablet.person) {
      $("who").textContent = tablet.person.name;
      $("hand-over").setAttribute("aria-label", t("strip.hand_over", { name: tablet.person.name }));
    }
    if (!now || !tablet.cell) return;
    put($("shift-label"), now.label);
    put($("shift-cell"), `${tablet.cell.name} · ${t(`stage.${now.stage}`)}`);
    put($("board-title"), t("strip.heading", { label: now.label, cell: tablet.cell.name }));
    put($("counter"), counterWords());
  }

  root.trialog = Object.assign(root.trialog, {
    strip: { line, secure, show, trouble },
  });
})(window);
