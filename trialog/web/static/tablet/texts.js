/* Every word that the page shows, in the language that this tablet was set to. Static words
   stand in the page in English and carry their key; `apply` puts the others in their place. */
(function (root) {
  "use strict";

  const AGAIN = 2000; /* ms until a catalogue that did not come is asked for again */
  const shelf = JSON.parse(document.getElementById("languages").textContent);
  const ENGLISH = "en";
  const heard = [];
  const loaded = {};
  let tag = ENGLISH;

  const words = () => (loaded[tag] || loaded[ENGLISH] || {});

  /* A formatter costs more to make than to use. */
  const formatters = new Map();
  function formatter(kind, make) {
    const key = `${tag} ${kind}`;
    if (!formatters.has(key)) formatters.set(key, make());
    return formatters.get(key);
  }

  const number = (value) => formatter("number", () => new Intl.NumberFormat(tag)).format(value);
  const shown = (value) => (typeof value === "number" ? number(value) : String(value));

  function fill(text, params) {
    return text.replace(/\{(\w+)\}/g, (hole, name) => (name in params ? shown(params[name]) : hole));
  }

  /* A key without words shows itself: ugly, but nothing is hidden and nothing breaks. */
  function t(key, params = {}) {
    const text = words()[key];
    return typeof text === "string" ? fill(text, params) : key;
  }

  function plural(key, n, params = {}) {
    const forms = words()[key];
    if (typeof forms !== "object") return key;
    const rules = formatter("plural", () => new Intl.PluralRules(tag));
    const form = forms[rules.select(n)] || forms.other;
    return fill(form, { n, ...params });
  }

  function knows(key) {
    return key in words();
  }

  function list(parts) {
    if (parts.length < 2) return parts.join("");
    return `${parts.slice(0, -1).join(", ")} ${t("and")} ${parts[parts.length - 1]}`;
  }

  /* Seconds as m:ss, from an hour on as h:mm:ss. */
  function length(seconds) {
    const two = (value) => String(value).padStart(2, "0");
    const minutes = Math.floor(seconds / 60);
    if (minutes < 60) return `${minutes}:${two(seconds % 60)}`;
    return `${Math.floor(minutes / 60)}:${two(minutes % 60)}:${two(seconds % 60)}`;
  }

  function moment(milliseconds, zone) {
    const form = { hour: "2-digit", minute: "2-digit", hourCycle: "h23" };
    return formatter(`time ${zone}`, () => {
      try {
        return new Intl.DateTimeFormat(tag, { ...form, timeZone: zone });
      } catch {
        return new Intl.DateTimeFormat(tag, form); /* a zone that this browser does not know */
      }
    }).format(milliseconds);
  }

  const PLACES = [
    ["text", (element, text) => { element.textContent = text; }],
    ["label", (element, text) => element.setAttribute("aria-label", text)],
    ["hint", (element, text) => element.setAttribute("placeholder", text)],
  ];

  function apply(within = document) {
    PLACES.forEach(([name, put]) => {
      within.querySelectorAll(`[data-${name}]`).forEach((element) => {
        const key = element.dataset[name];
        if (knows(key)) put(element, t(key));
      });
    });
  }

  async function fetched(language) {
    const answer = await fetch(shelf[language].address, { credentials: "omit" });
    if (!answer.ok) throw new Error(`texts: ${answer.status}`);
    return (await answer.json()).texts;
  }

  async function load(language) {
    while (!loaded[language]) {
      try {
        loaded[language] = await fetched(language);
      } catch {
        await new Promise((done) => setTimeout(done, AGAIN));
      }
    }
  }

  /* Switch to a language; the words change when its catalogue is here. */
  async function use(language) {
    const wanted = shelf[language] ? language : ENGLISH;
    await load(wanted);
    tag = wanted;
    document.documentElement.lang = tag;
    document.title = t("page.title");
    apply();
    heard.forEach((act) => act(tag));
  }

  const texts = {
    t, plural, number, list, length, moment, knows, apply, use,
    get tag() { return tag; },
    languages: Object.entries(shelf).map(([one, { name }]) => ({ tag: one, name })),
    onChange(act) { heard.push(act); },
  };
  root.trialog = Object.assign(root.trialog || {}, { texts });
})(window);
