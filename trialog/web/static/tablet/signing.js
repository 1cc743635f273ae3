/* The screens that make a browser a tablet, choose its cell, and say who is logging. */
(function (root) {
  "use strict";

  const { outbox, people, store, tablet } = root.trialog;
  const $ = (id) => document.getElementById(id);
  const t = (key, params) => root.trialog.texts.t(key, params);
  const say = (where, words) => { $(`${where}-said`).textContent = words; };
  let chosen = null; /* whose PIN is asked for */

  /* What the page must know before anything can be logged: a screen's name, or null. */
  function needs() {
    if (!tablet.key) return "enrol";
    if (!tablet.cell) return "cell";
    return tablet.person ? null : "people";
  }

  function goOn() {
    root.trialog.signedIn();
  }

  /* ── Becoming a tablet ───────────────────────────────────────────────────── */

  async function enrol(code) {
    if (code === "") return say("enrol", t("enrol.type_it"));
    say("enrol", t("enrol.asking"));
    $("enrol-go").disabled = true;
    const answer = await tablet.enrol(code).catch(() => ({ ok: false, why: "unreachable" }));
    $("enrol-go").disabled = false;
    if (answer.ok) {
      $("enrol-code").value = "";
      say("enrol", "");
      return goOn();
    }
    if (answer.why) return say("enrol", t("enrol.unreachable"));
    return say("enrol", t("enrol.refused", { message: answer.message }));
  }

  /* A code stands behind the # of the address, where no server and no log sees it. It works
     once, so it leaves the address: a reload must not try it again. */
  async function followAddress() {
    const { hash, search, pathname } = root.location;
    const code = new URLSearchParams(hash.slice(1)).get("enrol");
    const cell = Number(new URLSearchParams(search).get("cell"));
    if (code === null && !cell) return;
    root.history.replaceState(null, "", pathname);
    if (Number.isInteger(cell) && cell > 0 && cell !== tablet.cellId) await choose(cell);
    if (code !== null) {
      root.trialog.show("enrol");
      $("enrol-code").value = code;
      await enrol(code);
    }
  }

  /* ── Lists to choose from ────────────────────────────────────────────────── */

  function choice(words, small, act) {
    const button = document.createElement("button");
    button.type = "button";
    button.className = "target tool choice";
    button.append(Object.assign(document.createElement("b"), { textContent: words }));
    if (small) button.append(Object.assign(document.createElement("small"), { textContent: small }));
    root.trialog.onTap(button, act);
    return button;
  }

  /* Draw a list anew only where something in it changed: a finger may be on one of its buttons
     while the tablet looks at the server. */
  const drawn = {};
  function fillList(name, shown, button) {
    const now = JSON.stringify(shown);
    if (now === drawn[name]) return;
    drawn[name] = now;
    $(name).replaceChildren(...shown.map(button));
  }

  function fillCells() {
    const cells = (tablet.pack && tablet.pack.cells) || [];
    fillList("cells", cells, (cell) => choice(cell.name, "", async () => {
      await choose(cell.id);
      goOn();
    }));
    say("cell", cells.length === 0 ? t(tablet.pack ? "cell.none" : "cell.not_here") : "");
  }

  async function choose(cell) {
    say("cell", t("cell.asking"));
    const reached = tablet.key ? await tablet.choose(cell) : await store.set("cell", cell);
    say("cell", reached ? "" : t("cell.not_here"));
  }

  function fillPeople() {
    const here = tablet.person;
    const shown = people.list().map((person) => {
      const how = person.present ? "people.present" : person.offline ? "people.offline" : "people.network";
      return { person, how: t(how), current: Boolean(here && here.id === person.id) };
    });
    fillList("people", shown, ({ person, how, current }) => {
      const button = choice(person.name, how, () => meet(person));
      button.dataset.person = person.id;
      if (current) button.setAttribute("aria-current", "true");
      return button;
    });
    say("people", shown.length === 0 ? t("people.none") : "");
  }

  async function meet(person) {
    if (await people.handOver(person.id)) return goOn();
    return askPin(person);
  }

  /* ── The PIN ─────────────────────────────────────────────────────────────── */

  function askPin(person) {
    chosen = person;
    $("pin").value = "";
    $("pin-title").textContent = t("pin.title", { name: person.name });
    say("pin", "");
    root.trialog.show("pin");
  }

  async function signIn() {
    const pin = $("pin").value;
    if (pin === "" || $("pin-go").disabled) return;
    $("pin-go").disabled = true;
    say("pin", t("pin.checking"));
    const answer = await people.signIn(chosen.id, pin);
    $("pin-go").disabled = false;
    $("pin").value = "";
    if (!answer.ok) say("pin", whyNot(answer));
    else goOn();
  }

  function whyNot({ why, left, minutes, message }) {
    if (why === "wrong" && left !== undefined) return t("pin.wrong_here", { left });
    if (why === "locked" && left !== undefined) return t("pin.locked_here");
    return t(`pin.${why.replaceAll(" ", "_")}`, { message, minutes });
  }

  function press(digit) {
    const typed = $("pin").value;
    if (digit === "clear") $("pin").value = "";
    else if (digit === "back") $("pin").value = typed.slice(0, -1);
    else if (typed.length < $("pin").maxLength) $("pin").value = typed + digit;
  }

  function fromKeyboard(event) {
    if ($("screen-pin").hidden || event.target.matches("input") || event.ctrlKey) return;
    if (/^[0-9]$/.test(event.key)) press(event.key);
    if (event.key === "Backspace") press("back");
  }

  /* ── Beginning ───────────────────────────────────────────────────────────── */

  function fill() {
    fillCells();
    fillPeople();
    if (chosen) $("pin-title").textContent = t("pin.title", { name: chosen.name });
  }

  function listen() {
    const { onTap } = root.trialog;
    $("pin-digits").querySelectorAll("[data-digit]").forEach((key) => {
      onTap(key, () => press(key.dataset.digit));
    });
    onTap($("pin-back"), () => root.trialog.show("people"));
    document.addEventListener("keydown", fromKeyboard);
    $("pin-form").addEventListener("submit", (event) => {
      event.preventDefault();
      signIn();
    });
    $("enrol-form").addEventListener("submit", (event) => {
      event.preventDefault();
      enrol($("enrol-code").value.trim());
    });
    root.addEventListener("hashchange", followAddress);
  }

  /* The other scripts are there by now; they come after this one. */
  async function begin() {
    listen();
    await store.open();
    fill();
    tablet.onChange((event) => { if (event.kind !== "settled") fill(); });
    root.trialog.texts.onChange(fill);
    outbox.nudge();
    await followAddress();
    if (tablet.key) tablet.refresh();
  }
  document.addEventListener("DOMContentLoaded", begin);

  root.trialog = Object.assign(root.trialog, { signing: { needs, fill } });
})(window);
