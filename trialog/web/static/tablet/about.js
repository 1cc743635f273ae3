/* "This tablet": what it was set to, what it is, and what it cannot do. */
(function (root) {
  "use strict";

  const { clock, closeSheets, onTap, people, settings, store, strip, tablet, texts, whenOpened } = root.trialog;
  const { t } = texts;
  const $ = (id) => document.getElementById(id);
  const RIGHT = 5; /* seconds within which a clock is called right */

  let persisted = null; /* whether the browser promised not to clear storage; null: not known */

  function clockWords() {
    const { ahead } = clock;
    if (ahead === null) return t("tablet.clock.unknown");
    const off = Math.round(Math.abs(ahead));
    const words = off <= RIGHT
      ? t("tablet.clock.right", { time: texts.length(RIGHT) })
      : t(ahead > 0 ? "tablet.clock.ahead" : "tablet.clock.behind", { time: texts.length(off) });
    return `${words}. ${t("tablet.clock.note")}`;
  }

  function storageWords() {
    if (!store.kept) return t("tablet.storage.lost");
    const promise = persisted === null ? "" : `; ${t(`tablet.persisted.${persisted ? "yes" : "no"}`)}`;
    return `${t("tablet.storage.kept")}${promise}`;
  }

  function facts() {
    const limits = root.trialog.limits || [];
    return {
      "fact-name": tablet.name || "",
      "fact-cell": tablet.cell ? tablet.cell.name : "",
      "fact-storage": storageWords(),
      "fact-unsent": strip.line(),
      "fact-clock": clockWords(),
      "fact-connection": t(strip.secure() ? "tablet.connection.secure" : "tablet.connection.plain"),
      "fact-limits": [...limits.filter((one) => texts.knows(`limit.${one}`)).map((one) => t(`limit.${one}`)),
        t("tablet.limits.words")].join(" "),
      "fact-version": root.trialog.version || "",
    };
  }

  function press(name, value) {
    document.querySelectorAll(`#sheet-tablet [data-${name}]`).forEach((target) => {
      target.setAttribute("aria-pressed", String(target.dataset[name] === value));
    });
  }

  function showSwitch(name) {
    const on = settings.get(name);
    $(`switch-${name}`).setAttribute("aria-pressed", String(on));
    $(`switch-${name}-state`).textContent = t(on ? "on" : "off");
  }

  function show() {
    Object.entries(facts()).forEach(([id, words]) => { $(id).textContent = words; });
    press("language", texts.tag);
    press("theme", settings.get("theme"));
    press("counting", settings.get("counting"));
    ["sound", "vibration"].forEach(showSwitch);
    $("tablet-leave").hidden = !tablet.person;
    $("tablet-leave-words").textContent = tablet.person
      ? t("tablet.leave", { name: tablet.person.name }) : "";
  }

  /* One target for each language that has a file; its name is in its own words. */
  function languages() {
    $("languages-targets").replaceChildren(...texts.languages.map(({ tag, name }) => {
      const made = document.createElement("button");
      made.type = "button";
      made.className = "target tool";
      made.lang = tag;
      made.dataset.language = tag;
      made.textContent = name;
      onTap(made, () => {
        settings.set("language", tag);
        texts.use(tag);
      });
      return made;
    }));
  }

  async function askStorage() {
    const { storage } = root.navigator;
    persisted = storage && storage.persisted ? await storage.persisted().catch(() => null) : null;
    if ($("sheet-tablet").open) show();
  }

  whenOpened("tablet", () => { show(); askStorage(); });
  document.querySelectorAll("#sheet-tablet [data-theme]").forEach((target) => {
    onTap(target, () => settings.set("theme", target.dataset.theme));
  });
  ["sound", "vibration"].forEach((name) => {
    onTap($(`switch-${name}`), () => {
      settings.set(name, !settings.get(name));
      root.trialog.feel("good");
    });
  });
  onTap($("tablet-change-cell"), () => { closeSheets(); root.trialog.show("cell"); });
  onTap($("tablet-code"), () => { closeSheets(); root.trialog.show("enrol"); });
  onTap($("tablet-leave"), async () => {
    closeSheets();
    await people.leave(tablet.person.id);
    root.trialog.decide();
  });

  languages();
  root.trialog = Object.assign(root.trialog, {
    about: { show() { if ($("sheet-tablet").open) show(); } },
  });
})(window);
