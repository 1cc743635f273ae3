/* Sends what waits: in order, a batch at a time, by one tab of the tablet at a time. The first
   try comes at once; after a failed one the next comes later and later, or when something
   happens that makes it worth while: a tap, the network coming back, somebody looking. */
(function (root) {
  "use strict";

  const { clock, outbox, server, store, tablet } = root.trialog;
  const MOST_LINES = 50;
  const MOST_BYTES = 250 * 1024;
  const FIRST_PAUSE = 1000;
  const LONGEST_PAUSE = 30000;
  const PHOTO_PATIENCE = 30000; /* a photo is half a megabyte, and the Wi-Fi is bad */
  const BREATH = 30; /* ms after a tap that belong to the screen */
  const TAP_PAUSE = 1000; /* ms between tries, however fast somebody taps without a network */
  const LEASE = 45000; /* ms; longer than any one turn */
  const AN_HOUR = 3600000;
  const NOT_THIS = new Set([400, 403, 404, 409, 413, 422]); /* the request, not the moment */

  const refused = new Set(); /* numbers of lines that even alone get no answer of theirs */
  const late = new Set(); /* numbers of lines that go after the others: their photo did not get through */
  const uploaded = new Set(); /* hashes of photos that the server has */
  let running = false;
  let pause = FIRST_PAUSE;
  let most = MOST_LINES;
  let urgent = false; /* something happened while a try was under way */
  let wake = () => {};
  let tried = -TAP_PAUSE;
  let due = null;

  /* ── One tab at a time ───────────────────────────────────────────────────── */

  async function alone(work) {
    const locks = root.navigator.locks;
    if (locks) return locks.request("trialog-sending", work);
    if (!takeLease()) return false;
    try {
      return await work();
    } finally {
      leaveLease();
    }
  }

  /* Plain http has no locks between tabs. A lease is not exact, and need not be: a line that is
     sent twice is written once. */
  const me = String(Math.random());

  function takeLease() {
    try {
      const [holder, until] = (root.localStorage.getItem("trialog.sender") || "").split(" ");
      if (holder && holder !== me && Number(until) > Date.now() && Number(until) < Date.now() + LEASE) {
        return false;
      }
      root.localStorage.setItem("trialog.sender", `${me} ${Date.now() + LEASE - 1}`);
    } catch { /* no memory between tabs: then each sends for itself */ }
    return true;
  }

  function leaveLease() {
    try {
      root.localStorage.removeItem("trialog.sender");
    } catch { /* as above */ }
  }
  root.addEventListener("pagehide", () => running && !root.navigator.locks && leaveLease());

  /* ── Turns and pauses ────────────────────────────────────────────────────── */

  const work = () => tablet.key !== null && store.size > refused.size;

  async function run() {
    urgent = true;
    wake();
    if (running) return;
    running = true;
    while (work()) {
      urgent = false;
      tried = performance.now();
      const went = await alone(turn).catch(ownMistake);
      if (went) pause = FIRST_PAUSE;
      else if (!urgent) await rest();
    }
    running = false;
  }

  function soon() {
    if (due !== null) return;
    const wait = outbox.trouble === null ? BREATH : tried + TAP_PAUSE - performance.now();
    due = setTimeout(() => {
      due = null;
      run();
    }, Math.max(wait, BREATH));
  }

  /* Nobody must believe that lines go out when our own code stands in their way. */
  function ownMistake(error) {
    root.console.error(error);
    outbox.hear({ kind: "refused", status: null, message: String(error) });
    return false;
  }

  /* Wait before the next try, longer each time, and never all tablets at the same moment. */
  async function rest() {
    const time = pause * (0.5 + Math.random() / 2);
    pause = Math.min(pause * 2, LONGEST_PAUSE);
    let timer;
    await new Promise((done) => {
      wake = done;
      timer = setTimeout(done, time);
    });
    clearTimeout(timer);
    wake = () => {};
  }

  async function turn() {
    try {
      const lines = await pick();
      if (lines.length === 0) return store.size === refused.size;
      if (await photoIsThere(lines[0])) return await send(lines);
      /* Cycles do not wait for a photo that does not get through: it goes after them. */
      late.add(lines[0].number);
      const others = lines.slice(1).filter((line) => !followsLate(line));
      return others.length > 0 ? await send(others) : false;
    } catch (error) {
      if (!(error instanceof server.Unreachable)) throw error;
      late.clear(); /* not the photo, but the network */
      outbox.hear({ kind: "unreachable", status: error.status, message: "" });
      return false;
    }
  }

  /* The next lines in order: of one cell, few enough, small enough. */
  async function pick() {
    const aside = new Set([...refused, ...late]);
    let lines = await store.firstLines(most, aside);
    lines.filter(followsLate).forEach((line) => late.add(line.number));
    lines = lines.filter((line) => !late.has(line.number));
    if (lines.length === 0) lines = await store.firstLines(1, refused);
    const chosen = [];
    let bytes = 0;
    for (const line of lines) {
      bytes += 3 * JSON.stringify(line).length; /* a character takes three bytes at most */
      if (chosen.length > 0 && (bytes > MOST_BYTES || !goesWith(line, chosen[0]))) break;
      chosen.push(line);
    }
    return chosen;
  }

  /* An undo goes after a late photo that it takes back, or whose failure it takes back. */
  function followsLate(line) {
    return line.kind === "undo" && outbox.waiting.some((one) => late.has(one.number)
      && one.kind === "photo" && (one.client_id === line.target || one.target === line.target));
  }

  /* A photo opens a batch of its own: what was tapped before it does not wait for it. */
  function goesWith(line, first) {
    return line.cell === first.cell && (line.kind !== "photo" || uploaded.has(line.photo));
  }

  /* ── Photos go before the lines that name them ───────────────────────────── */

  /* Say whether a line's photo is on the server, or will never be: then the server parks the
     line, and somebody sees it. */
  async function photoIsThere(line) {
    if (line.kind !== "photo") return true;
    const bytes = uploaded.has(line.photo) ? null : await store.photoOf(line);
    if (bytes === null) return true;
    const answer = await upload(line.photo, bytes);
    if (answer.status !== 200 && !NOT_THIS.has(answer.status)) {
      const kind = answer.status === 401 ? "revoked" : "unreachable";
      outbox.hear({ kind, status: answer.status, message: "" });
      return false;
    }
    uploaded.add(line.photo);
    return true;
  }

  async function upload(hash, bytes) {
    try {
      return await server.put(`tablet/photos/${hash}`, bytes, "image/jpeg", PHOTO_PATIENCE);
    } catch (error) {
      if (error instanceof server.Unreachable) return { status: error.status };
      throw error;
    }
  }

  /* ── Lines ───────────────────────────────────────────────────────────────── */

  function onTheWire({ cell, ...line }) {
    return outbox.hadToWait(line) ? { ...line, waited: true } : line;
  }

  async function send(lines) {
    const answer = await server.post("tablet/entries", {
      cell: lines[0].cell,
      clock: new Date(clock.raw()).toISOString(),
      page: root.trialog.version,
      entries: lines.map(onTheWire),
    });
    if (answer.status === 200 && Array.isArray(answer.body.entries)) return settle(lines, answer.body);
    const message = server.messageOf(answer);
    if (answer.status === 401) outbox.hear({ kind: "revoked", status: 401, message });
    else if (NOT_THIS.has(answer.status)) narrow(lines, { kind: "refused", status: answer.status, message });
    else outbox.hear({ kind: "unreachable", status: answer.status, message });
    return false;
  }

  async function settle(lines, body) {
    const answers = new Map(body.entries.map((entry) => [entry.client_id, entry]));
    const named = lines.filter((line) => answers.has(line.client_id));
    if (named.length === 0) {
      outbox.hear({ kind: "unreachable", status: 200, message: "" });
      return false;
    }
    named.forEach((line) => late.delete(line.number));
    await store.settle({
      numbers: named.map((line) => line.number),
      parked: named.filter((line) => answers.get(line.client_id).status === "parked")
        .map((line) => parkedOf(line, answers.get(line.client_id))),
      changes: stateIn(body, lines[0].cell),
    });
    most = MOST_LINES;
    outbox.hear(refused.size === 0 ? null : outbox.trouble);
    return true;
  }

  /* A tablet that was moved to another cell may still have lines of its former one. */
  function stateIn({ state }, cell) {
    return state === undefined || cell !== tablet.cellId ? {} : { state: { cell, state } };
  }

  function parkedOf(line, { reason }) {
    return { number: line.number, line, reason, at: clock.now() };
  }

  /* A batch that the server does not even read may hold one line that spoils it: look for it by
     halves, and let the others pass. It stays on the tablet and is tried again every hour, and at each load. */
  function narrow(lines, trouble) {
    outbox.hear(trouble);
    if (lines.length === 1) refused.add(lines[0].number);
    most = lines.length === 1 ? MOST_LINES : Math.ceil(lines.length / 2);
  }

  outbox.nudge = () => { run(); };
  outbox.sendSoon = soon;

  store.onChange((event) => {
    if (event.kind === "facts" && event.changes.key) {
      refused.clear();
      run();
    }
    if (event.kind === "restored") run();
    if (event.kind === "settled") event.numbers.forEach((number) => refused.delete(number));
  });
  setInterval(() => {
    refused.clear();
    run();
  }, AN_HOUR);
  root.addEventListener("online", run);
  root.addEventListener("pageshow", run);
  document.addEventListener("visibilitychange", () => document.visibilityState === "visible" && run());
})(window);
