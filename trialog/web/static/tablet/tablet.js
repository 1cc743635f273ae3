/* The page as a whole: which screen shows, and drawing again whatever changed. */
(function (root) {
  "use strict";

  const { about, anyOpen, board, checks, guide, halts, machine, modes, opening, outbox, settings, shift,
    stayAwake, store, strip, tablet, texts, unsent } = root.trialog;
  const $ = (id) => document.getElementById(id);
  const screens = [...document.querySelectorAll(".screen")];
  const backs = [...document.querySelectorAll(".go-back")];
  const shown = {};
  let screen = "loading";

  /* Show a screen; its heading gets the focus, so that readers and keyboards begin there. */
  function show(name) {
    screen = name;
    screens.forEach((one) => { one.hidden = one.id !== `screen-${name}`; });
    document.body.dataset.on = name;
    const heading = $(`screen-${name}`).querySelector("h1");
    if (heading && !anyOpen()) heading.focus({ preventScroll: true });
    if (name === "open") opening.begin();
    (shown[name] || []).forEach((act) => act());
    draw();
    if (name === "board" || name === "open") guide.offer();
  }

  function next() {
    if (!tablet.key) return "enrol";
    if (!tablet.cell) return "cell";
    if (!tablet.person) return "people";
    const now = shift.standing();
    return now && now.open ? "board" : "open";
  }

  const decide = () => show(next());

  /* What changed may end a screen: a shift closed or opened elsewhere, a sign-in that ran out.
     Nothing happens below a sheet that is being filled in. */
  let logging = null;
  let toldRevoked = false;
  function follow() {
    if (anyOpen() || checks.running) return;
    const now = shift.standing();
    if (screen === "board" && tablet.person && !(now && now.open)) {
      halts.closedElsewhere(logging);
    } else if ((screen === "board" || screen === "open") && next() !== screen) {
      decide();
    } else if (strip.trouble() === "revoked" && !toldRevoked && screen === "board") {
      toldRevoked = true;
      halts.revoked();
    }
    if (strip.trouble() !== "revoked") toldRevoked = false;
    if (screen === "board" && now && now.open && logging !== now.label) {
      logging = now.label;
      opening.remember(logging);
    }
  }

  function draw() {
    const now = shift.standing();
    modes.draw();
    strip.show();
    board.show();
    opening.show();
    checks.show();
    unsent.show();
    about.show();
    guide.show();
    halts.show();
    machine.show();
    backs.forEach((back) => { back.hidden = `screen-${next()}` === back.closest(".screen").id; });
    $("menu-update").hidden = !(root.trialog.update && root.trialog.update.ready);
    stayAwake(Boolean(now && now.open) && ["board", "check"].includes(screen));
  }

  /* Many lines may come and go in one turn: draw once for all of them. */
  let due = false;
  function changed() {
    if (due) return;
    due = true;
    queueMicrotask(() => {
      due = false;
      draw();
      unsent.interrupt();
      follow();
    });
  }

  /* A new version is taken when the tablet changes hands: nobody is in the middle of anything. */
  function signedIn() {
    const { update } = root.trialog;
    if (update && update.ready && store.kept && !store.writing) return update.apply();
    return decide();
  }

  root.trialog = Object.assign(root.trialog, {
    decide, show, signedIn,
    onShow(name, act) { (shown[name] = shown[name] || []).push(act); },
  });

  document.querySelectorAll("dialog").forEach((one) => one.addEventListener("close", changed));
  root.trialog.onTap($("hand-over"), () => show("people"));
  backs.forEach((back) => root.trialog.onTap(back, decide));
  root.trialog.onTap($("menu-update"), () => root.trialog.update.apply());
  [outbox, tablet, settings, texts, ...(root.trialog.update ? [root.trialog.update] : [])]
    .forEach((one) => one.onChange(changed));
  ["online", "offline"].forEach((name) => root.addEventListener(name, changed));
  setInterval(changed, 20000); /* the time since when, a sign-in that runs out */

  document.querySelectorAll(".screen > h1").forEach((heading) => { heading.tabIndex = -1; });

  /* Signing.js opens the store; the page begins when it has told what it holds, or that it
     cannot. An address with a code may have chosen a screen by then. */
  settings.follow(store);
  const held = new Promise((done) => {
    store.onChange(({ kind }) => { if (["restored", "kept", "cleared"].includes(kind)) done(); });
  });
  held.then(() => texts.use(settings.language(texts.languages.map(({ tag }) => tag))))
    .then(() => { if (screen === "loading") decide(); });
  /* A disk that answers late says only now that this is a tablet; a code under way goes on by itself. */
  store.onChange(({ kind }) => {
    if (kind === "restored" && screen === "enrol" && tablet.key && !$("enrol-go").disabled) decide();
  });
})(window);
