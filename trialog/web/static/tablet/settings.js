/* What this tablet was set to: language, look, sound, vibration, way of counting, and who has
   read how it works. It is kept where the lines are: a browser writes its small store down
   seconds later, and a battery does not wait. Until the disk has answered, and where it never
   does, the small store is better than nothing. */
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
    if (root.trialog.store) root.trialog.store.set("settings", kept);
    try {
      root.localStorage.setItem(PLACE, JSON.stringify(kept));
    } catch {
      /* a private window, or full: the other store has it, or the page until it closes */
    }
  }

  let kept = { ...FIRST, ...read() };

  function look() {
    const page = document.documentElement;
    if (kept.theme === "system") delete page.dataset.theme;
    else page.dataset.theme = kept.theme;
  }

  function changed(name) {
    look();
    heard.forEach((act) => act(name));
  }

  const settings = {
    get: (name) => kept[name],
    set(name, value) {
      kept = { ...kept, [name]: value };
      write();
      changed(name);
    },
    onChange(act) { heard.push(act); },
    /* Hear what the disk held, or another tab of this tablet changed. */
    follow(store) {
      store.onChange((event) => {
        const told = event.kind === "restored" || (event.kind === "facts" && event.changes.settings);
        const stored = told ? store.get("settings") : null;
        if (!stored || stored === kept) return;
        kept = { ...FIRST, ...stored };
        changed(null);
      });
    },
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
