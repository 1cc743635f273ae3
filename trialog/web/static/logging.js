/* The tablet page: taps become lines in the outbox, and what is shown is what the server
   last said plus what it has not acknowledged yet. */
(function () {
  "use strict";

  const { Digits, Outbox, anyOpen, buzz, closeSheets, number, onTap, openSheet, plural,
    whenOpened } = window.trialog;
  const start = JSON.parse(document.getElementById("start").textContent);
  const $ = (id) => document.getElementById(id);

  const MANY = 200; /* good cycles at once that are asked about again */
  const POLL = 10000;
  const PATIENCE = 8000; /* ms before an answer counts as lost */

  let state = start.state;
  let person = start.person;
  let token = start.csrf_token;
  let unreachable = false;
  let leaving = false;

  /* The server's clock, carried on by the tablet's steady one: the time set on a shop tablet
     is often wrong, and must not decide which revision a cycle belongs to. */
  let clockOffset = 0;
  function setClock(iso) {
    clockOffset = Date.parse(iso) - performance.now();
  }
  setClock(start.now);
  const moment = () => new Date(clockOffset + performance.now()).toISOString();

  /* ── Talking with the server ─────────────────────────────────────────────── */

  async function ask(address, options) {
    const stop = new AbortController();
    const timer = setTimeout(() => stop.abort(), PATIENCE);
    try {
      const response = await fetch(address, {
        credentials: "same-origin", cache: "no-store", signal: stop.signal, ...options,
      });
      const body = await response.json().catch(() => null);
      return { status: response.status, body };
    } finally {
      clearTimeout(timer);
    }
  }

  function hear(body) {
    if (!body) return;
    if (body.now) setClock(body.now);
    if (body.person) person = body.person;
    if (body.csrf_token) token = body.csrf_token;
    if (body.state && body.state.sequence >= state.sequence) state = body.state;
    $("who").textContent = person.name;
  }

  async function send(lines, again = true) {
    const answer = await ask(start.entries, {
      method: "POST",
      headers: {
        "Accept": "application/json", "Content-Type": "application/json", "X-CSRFToken": token,
      },
      body: JSON.stringify({ entries: lines }),
    });
    if (answer.status === 200) hear(answer.body);
    const error = (answer.body && answer.body.error) || {};
    if (error.field === "csrf_token") {
      /* Another sign-in made the page's token stale, or nobody is signed in any more. */
      const status = await refresh();
      if (status === 401) return { status, body: null };
      return again ? send(lines, false) : answer;
    }
    if (answer.status === 409) refresh(); /* somebody else changed the shift */
    return answer;
  }

  const outbox = new Outbox({ send: (lines) => send(lines), changed: () => show() });

  async function refresh() {
    try {
      const answer = await ask(start.refresh, { headers: { Accept: "application/json" } });
      unreachable = answer.status >= 500;
      if (answer.status === 200) hear(answer.body);
      if (answer.status === 401) outbox.fail({ kind: "refused", status: 401, error: {} });
      if (answer.status === 200 && outbox.waiting.length === 0) outbox.trouble = null;
      show();
      return answer.status;
    } catch {
      unreachable = true;
      show();
      return null;
    }
  }

  /* While something waits, its own answer brings the news; a look in between could count
     a line twice that has arrived but was not acknowledged yet. */
  function poll() {
    if (document.visibilityState === "visible" && outbox.waiting.length === 0) refresh();
  }

  /* ── What stands ─────────────────────────────────────────────────────────── */

  const name = (mode) => document.querySelector(`[data-mode="${mode}"]`).dataset.name;

  const wordsOf = (line, last) => window.trialog.wordsOf(line, last, name);
  const standing = () => window.trialog.standingOf(state, outbox.waiting, name);

  function expected(logged) {
    if (state.opening_counter === null) return null;
    const reading = state.opening_counter + logged;
    return start.modulus ? reading % start.modulus : reading;
  }

  /* ── Showing it ──────────────────────────────────────────────────────────── */

  function savedWords() {
    const waiting = outbox.waiting.length;
    const trouble = outbox.trouble;
    if (trouble && trouble.status === 401) return `▲ Signed out${waiting ? `, ${waiting} not yet saved` : ""}`;
    if (outbox.refused.length) return `▲ ${outbox.refused.length} not taken${waiting ? `, ${waiting} not yet saved` : ""}`;
    if (waiting) return `▲ ${waiting} not yet saved${trouble ? ", trying again" : ""}`;
    return unreachable ? "▲ Server not reached" : "● All saved";
  }

  function show() {
    const now = standing();
    const reading = expected(now.logged);
    $("logged").textContent = number(now.logged);
    $("failed").textContent = number(now.failed);
    $("counter").textContent = reading === null
      ? "No opening reading: a GO is impossible"
      : `Counter should read ${number(reading)}`;
    const saved = savedWords();
    if ($("saved").textContent !== saved) $("saved").textContent = saved;
    $("saved").classList.toggle("unsaved", !saved.startsWith("●"));
    const last = now.recent[0];
    const words = last ? last.words : "nothing yet";
    $("last").textContent = `Last: ${words}`;
    $("undo-last").textContent = last ? words : "";
    $("collect-number").textContent = number(now.last + 1);
    interrupt();
  }

  /* What the person must know now; never on top of a sheet that is being filled in. */
  let shownRefused = 0;
  function interrupt() {
    const refused = outbox.refused.length;
    if (leaving || anyOpen()) return;
    if (refused > shownRefused) openSheet("refused");
    else if (outbox.trouble && outbox.trouble.status === 401) halt("signed-out");
    else if (!state.open && outbox.waiting.length === 0 && refused === 0) halt("closed");
    shownRefused = refused;
  }

  const halted = new Set();
  function halt(why) {
    if (halted.has(why)) return;
    halted.add(why);
    const closed = why === "closed";
    $("halt-title").textContent = closed ? `Shift ${start.label} was closed` : "You are signed out";
    $("halt-words").textContent = closed
      ? "Somebody closed it, maybe on another tablet. No more cycles can be logged in it."
      : "Nothing is lost: what is not saved yet stays on this page. Sign in on the page that " +
        "opens, then come back to this one; it goes on by itself.";
    $("halt-go").textContent = closed ? "See the shift's report" : "Sign in";
    $("halt-go").href = closed ? start.report : start.sign_in;
    $("halt-go").target = closed ? "" : "_blank";
    openSheet("halt");
  }

  function say(words) {
    $("said").textContent = words;
  }

  /* ── Taps ────────────────────────────────────────────────────────────────── */

  function log(fields, options) {
    const line = { shift: start.label, person: person.id, time: moment(), ...fields };
    return outbox.add(line, options);
  }

  function logGood(cycles) {
    buzz(25);
    log({ kind: "good", cycles });
    say(wordsOf({ kind: "good", cycles }, standing().last));
  }

  function logFailed(modes) {
    buzz([60, 40, 60]);
    log({ kind: "failed", cycles: 1, modes });
    say(wordsOf({ kind: "failed", modes }, standing().last));
  }

  onTap($("good"), () => logGood(1));

  /* One tap on a failure mode is one failed cycle. Two modes on one cycle are rare, so they
     pay for a second step instead of every failure paying for it: the switch turns taps on
     modes into a choice, and the place of the largest target becomes "Log failed cycle" with
     the chosen modes on it. Good cycles cannot be logged meanwhile, so nobody forgets it. */
  const chosen = new Set();
  const collecting = () => $("several").getAttribute("aria-pressed") === "true";

  function collect(on) {
    chosen.clear();
    $("several").setAttribute("aria-pressed", String(on));
    $("several-name").textContent = on ? "Cancel" : "Several failures on one cycle";
    $("good").hidden = on;
    $("collect").hidden = !on;
    document.body.classList.toggle("collecting", on);
    showChosen();
  }

  function showChosen() {
    document.querySelectorAll("[data-mode]").forEach((target) => {
      if (collecting()) target.setAttribute("aria-pressed", String(chosen.has(target.dataset.mode)));
      else target.removeAttribute("aria-pressed");
    });
    $("collect").disabled = chosen.size === 0;
    $("collect-modes").textContent = chosen.size
      ? [...chosen].map(name).join(" and ")
      : "Tap everything that went wrong, then here";
  }

  document.querySelectorAll("[data-mode]").forEach((target) => {
    onTap(target, () => {
      const mode = target.dataset.mode;
      if (!collecting()) return logFailed([Number(mode)]);
      if (!chosen.delete(mode)) chosen.add(mode);
      buzz(25);
      return showChosen();
    });
  });
  onTap($("several"), () => collect(!collecting()));
  onTap($("collect"), () => {
    logFailed([...chosen].map(Number));
    collect(false);
  });

  /* ── Sheets ──────────────────────────────────────────────────────────────── */

  document.querySelectorAll("[data-sheet]").forEach((target) => {
    onTap(target, () => {
      const running = target.classList.contains("running");
      openSheet(running ? "stop" : target.dataset.sheet);
    });
  });
  document.querySelectorAll("[data-close]").forEach((target) => onTap(target, closeSheets));
  document.querySelectorAll("dialog").forEach((one) => one.addEventListener("close", () => show()));

  whenOpened("undo", () => {
    const lines = standing().recent.slice(0, 5).map((line) => {
      const button = document.createElement("button");
      button.type = "button";
      button.className = "target tool undo-line";
      button.textContent = `Undo: ${line.words}`;
      const by = line.unsaved ? "not yet saved" : line.person;
      if (by) button.append(Object.assign(document.createElement("small"), { textContent: by }));
      onTap(button, () => {
        buzz([25, 25, 25]);
        log({ kind: "undo", target: line.client_id });
        say(`Undone: ${line.words}`);
        closeSheets();
      });
      return button;
    });
    $("undo-title").textContent = lines.length ? "What shall be undone?" : "Nothing to undo yet";
    const back = $("undo-lines").querySelector("[data-close]");
    $("undo-lines").replaceChildren(...lines, back);
  });

  let manyAsked = 0;
  const bulk = new Digits("bulk", (value) => {
    manyAsked = 0;
    $("bulk-log").disabled = !value;
    $("bulk-log").textContent = value ? `Log ${plural(value, "good cycle")}` : "Log";
    const last = standing().last;
    $("bulk-words").textContent = value
      ? `Cycles ${number(last + 1)} to ${number(last + value)}. Log failed ones on their own.`
      : "Only the good ones; log failed ones on their own.";
  });
  whenOpened("bulk", () => bulk.clear());
  onTap($("bulk-log"), () => {
    const value = bulk.value;
    if (value > MANY && manyAsked !== value) {
      manyAsked = value;
      $("bulk-words").textContent = `${number(value)} at once is a lot. Is it right?`;
      $("bulk-log").textContent = `Yes, log ${number(value)}`;
      return;
    }
    logGood(value);
    closeSheets();
  });

  whenOpened("note", () => { $("note-text").value = ""; });
  onTap($("note-log"), () => {
    const text = $("note-text").value.trim();
    if (text === "") return $("note-text").focus();
    log({ kind: "note", text });
    return closeSheets();
  });

  whenOpened("condition", () => { $("lot").value = ""; });
  document.querySelectorAll("[data-condition]").forEach((target) => {
    onTap(target, () => {
      const condition = target.dataset.condition;
      const text = condition === "new material lot" ? $("lot").value.trim() : "";
      log({ kind: "condition", condition, text });
      closeSheets();
    });
  });

  /* ── What was refused, and leaving ───────────────────────────────────────── */

  whenOpened("refused", () => {
    const lines = outbox.refused.map(({ line, error }) => {
      const item = document.createElement("li");
      const what = line.kind === "undo" ? "undo" : wordsOf(line, standing().last).replace(/ \d[\d,]*(?=,|$)/, "");
      item.append(Object.assign(document.createElement("b"), { textContent: what }));
      item.append(` ${error.message}.`);
      return item;
    });
    $("refused-lines").replaceChildren(...lines);
  });
  onTap($("refused-again"), () => { shownRefused = 0; closeSheets(); outbox.tryAgain(); });
  onTap($("refused-leave"), () => { closeSheets(); outbox.leaveOut(); });
  onTap($("saved"), () => { if (outbox.refused.length) openSheet("refused"); });

  function leave() {
    leaving = outbox.unsaved === 0;
    window.location.assign(start.report);
  }

  window.addEventListener("beforeunload", (event) => {
    if (outbox.unsaved > 0 && !leaving) event.preventDefault();
  });
  $("hand-over").addEventListener("submit", (event) => {
    event.target.elements.csrf_token.value = token;
    if (outbox.unsaved === 0) return;
    event.preventDefault();
    closeSheets();
    say("Not yet: some taps are not saved.");
  });
  window.addEventListener("online", () => { outbox.nudge(); poll(); });
  document.addEventListener("visibilitychange", () => {
    if (document.visibilityState !== "visible") return;
    halted.delete("signed-out");
    outbox.nudge();
    refresh();
  });
  setInterval(poll, POLL);

  Object.assign(window.trialog, {
    expected, leave, log, standing, start,
    opening: () => state.opening_counter,
  });

  show();
  refresh();
})();
