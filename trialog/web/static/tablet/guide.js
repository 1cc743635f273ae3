/* How it works, in four steps of a quarter of a minute. Everybody sees it once on a tablet, and
   again whenever they like; it needs no network. */
(function (root) {
  "use strict";

  const { closeSheets, onTap, openSheet, settings, tablet, texts, whenOpened } = root.trialog;
  const { t } = texts;
  const $ = (id) => document.getElementById(id);
  const STEPS = 4;
  let step = 1;

  function show() {
    $("guide-step").textContent = t("guide.step", { step, steps: STEPS });
    $("guide-title").textContent = t(`guide.${step}.title`);
    $("guide-words").textContent = t(`guide.${step}.words`);
    $("guide-next").textContent = t(step === STEPS ? "guide.done" : "next");
    document.querySelectorAll("[data-step]").forEach((picture) => {
      picture.toggleAttribute("hidden", picture.dataset.step !== String(step));
    });
  }

  function seen() {
    const id = tablet.person && tablet.person.id;
    const before = settings.get("helped");
    if (id && !before.includes(id)) settings.set("helped", [...before, id]);
  }

  /* Show it to somebody who has not seen it on this tablet. */
  function offer() {
    const { person } = tablet;
    if (person && !settings.get("helped").includes(person.id)) openSheet("guide");
  }

  whenOpened("guide", () => { step = 1; show(); });
  $("sheet-guide").addEventListener("close", seen);
  function leave() {
    seen(); /* at once: the sheet's own word that it is closed comes later */
    closeSheets();
  }

  onTap($("guide-next"), () => {
    if (step === STEPS) return leave();
    step += 1;
    show();
    return $("guide-title").focus();
  });
  onTap($("guide-skip"), leave);

  root.trialog = Object.assign(root.trialog, {
    guide: { offer, show() { if ($("sheet-guide").open) show(); } },
  });
})(window);
