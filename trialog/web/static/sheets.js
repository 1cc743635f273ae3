/* Sheets that cover the page for a moment, and the digits to type with gloves on. */
(function (root) {
  "use strict";

  const { onTap } = root.trialog;
  const opening = {};

  function sheet(name) {
    return document.getElementById(`sheet-${name}`);
  }

  function openSheet(name) {
    document.querySelectorAll("dialog[open]").forEach((one) => one.close());
    if (opening[name]) opening[name]();
    sheet(name).showModal();
  }

  function closeSheets() {
    document.querySelectorAll("dialog[open]").forEach((one) => one.close());
  }

  function whenOpened(name, act) {
    opening[name] = act;
  }

  function anyOpen() {
    return document.querySelector("dialog[open]") !== null;
  }

  /* A sheet's typed digits. `changed` hears each change; value is null while nothing is typed. */
  class Digits {
    constructor(name, changed) {
      this.output = sheet(name).querySelector(".typed");
      this.most = Number(this.output.dataset.most);
      this.form = this.output.dataset.form || "plain";
      this.changed = changed;
      this.typed = "";
      sheet(name).querySelectorAll("[data-digit]").forEach((key) => {
        onTap(key, () => this.press(key.dataset.digit));
      });
      sheet(name).addEventListener("keydown", (event) => this.fromKeyboard(event));
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

    fromKeyboard(event) {
      if (event.target.matches("input, textarea")) return;
      if (/^[0-9]$/.test(event.key)) this.press(event.key);
      if (event.key === "Backspace") this.press("back");
    }

    shown() {
      if (this.form === "time") {
        const digits = this.typed.padStart(3, "0");
        return `${digits.slice(0, -2)}:${digits.slice(-2)}`;
      }
      return Number(this.typed || "0").toLocaleString("en");
    }
  }

  root.trialog = Object.assign(root.trialog, {
    Digits, anyOpen, closeSheets, openSheet, sheet, whenOpened,
  });
})(window);
