/* What this tablet was set to: language, look, sound, vibration, way of counting, and who has
   read how it works. None of it is a line of the logbook, so the browser's small store will do;
   where there is none, it holds until the page closes. */
(function (root) {
  "use strict";

  const PLACE = "trialog settings";
  const FIRST = {
    language: null, theme: "system", sound: false, vibration: true, counting: "every", helped: [],
  };
  const heard = [];

  function read() {
    try {
      return JSON.parse(root.localStorage.getItem(PLACE)) || {};
    } catch {
      return {};
    }
  }

  function write() {
    try {
      root.localStorage.setItem(PLACE, JSON.stringify(kept));
    } catch {
      /* a private window, or full: the setting holds as long as the page */
    }
  }

  const kept = { ...FIRST, ...read() };

  function look() {
    const page = document.documentElement;
    if (kept.theme === "system") delete page.dataset.theme;
    else page.dataset.theme = kept.theme;
  }

  const settings = {
    get: (name) => kept[name],
    set(name, value) {
      kept[name] = value;
      write();
      look();
      heard.forEach((act) => act(name));
    },
    onChange(act) { heard.push(act); },
    /* The language that was chosen, else the first one of the browser's that has texts. */
    language(tags) {
      const wishes = [kept.language, ...(root.navigator.languages || [])].filter(Boolean);
      const found = wishes.map((wish) => tags.find((tag) => tag === wish.split("-")[0]));
      return found.find(Boolean) || tags[0];
    },
  };

  look();
  root.trialog = Object.assign(root.trialog || {}, { settings });
})(window);
