/* Sheets that cover the page for a moment, and the digits to type with gloves on. The browser
   gives the focus back to what opened a sheet. */
(function (root) {
  "use strict";

  const { onTap, texts } = root.trialog;
  const opening = {};

  const sheet = (name) => document.getElementById(`sheet-${name}`);

  function closeSheets() {
    document.querySelectorAll("dialog[open]").forEach((one) => one.close());
  }

  function openSheet(name) {
    closeSheets();
    if (opening[name]) opening[name]();
    sheet(name).showModal();
    sheet(name).scrollTop = 0;
  }

  /* A sheet that nobody asked for may come up under a finger that is on its way to something
     else: for a moment it takes no taps. */
  const FRESH = 700; /* ms */
  function interruptWith(name) {
    openSheet(name);
    sheet(name).dataset.fresh = "";
    setTimeout(() => { delete sheet(name).dataset.fresh; }, FRESH);
  }

  function whenOpened(name, act) {
    opening[name] = act;
  }

  const anyOpen = () => document.querySelector("dialog[open]") !== null;

  /* Digits typed within `place`. `changed` hears each change; null while nothing is typed. */
  class Digits {
    constructor(place, changed) {
      this.place = place;
      this.output = place.querySelector(".typed");
      this.most = Number(this.output.dataset.most);
      this.form = this.output.dataset.form || "plain";
      this.changed = changed;
      this.typed = "";
      place.querySelectorAll("[data-digit]").forEach((key) => {
        onTap(key, () => this.press(key.dataset.digit));
      });
      document.addEventListener("keydown", (event) => this.fromKeyboard(event));
    }

    get value() {
      if (this.typed === "") return null;
      const number = Number(this.typed);
      return this.form === "time" ? Math.floor(number / 100) * 60 + (number % 100) : number;
    }

    clear() {
      this.set("");
    }

    set(typed) {
      this.typed = typed;
      this.output.textContent = this.shown();
      this.changed(this.value);
    }

    press(digit) {
      if (digit === "clear") return this.set("");
      if (digit === "back") return this.set(this.typed.slice(0, -1));
      if (this.typed.length >= this.most) return undefined;
      return this.set((this.typed + digit).replace(/^0+(?=\d)/, ""));
    }

    /* The keyboard types wherever this pad is what the person sees. */
    fromKeyboard(event) {
      const dialog = document.querySelector("dialog[open]");
      const seen = dialog ? dialog === this.place : this.place.getClientRects().length > 0;
      if (!seen || event.ctrlKey || event.altKey || event.metaKey) return;
      if (event.target.matches && event.target.matches("input, textarea")) return;
      if (/^[0-9]$/.test(event.key)) this.press(event.key);
      if (event.key === "Backspace") this.press("back");
    }

    shown() {
      if (this.form === "time") {
        const digits = this.typed.padStart(3, "0");
        return `${digits.slice(0, -2)}:${digits.slice(-2)}`;
      }
      return texts.number(Number(this.typed || "0"));
    }
  }

  /* What opens and closes sheets by its place in the page alone. */
  document.querySelectorAll("[data-sheet]").forEach((target) => {
    onTap(target, () => {
      target.focus({ preventScroll: true }); /* a finger's focus comes later than its tap */
      openSheet(target.dataset.sheet);
    });
  });
  document.querySelectorAll("[data-close]").forEach((target) => onTap(target, closeSheets));

  root.trialog = Object.assign(root.trialog, {
    Digits, anyOpen, closeSheets, interruptWith, openSheet, sheet, whenOpened,
  });
})(window);
