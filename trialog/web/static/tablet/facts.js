/* What this tablet is: its name and key, its cell, who is signed in, and the pack of everything
   the page needs to go on without a network. */
(function (root) {
  "use strict";

  const { clock, server, store } = root.trialog;
  const LOOK = 15000; /* ms between looks at the server while nothing waits */
  const { add: onChange, tell: changed } = root.trialog.hearing();
  let turn = 0; /* of the lines that left: a pack asked for before one left is older than it */

  const tablet = {
    get key() { return store.get("key") || null; },
    get name() { return (store.get("tablet") || {}).name || null; },
    get pack() { return store.get("pack") || null; },
    get person() { return root.trialog.people.current(); },
    get cell() { return cellNow(); },
    /* The chosen cell's number, known before its pack is. */
    get cellId() { return store.get("cell") || null; },
    enrol, choose, refresh,
    onChange,
    tell: changed,
  };

  /* The state stands beside the pack: it changes with every batch, the rest seldom. The same
     object comes back until something in it changed. */
  let made = null;
  function cellNow() {
    const pack = tablet.pack;
    const cell = pack && pack.cell;
    if (!cell || cell.id !== tablet.cellId) return null;
    const held = store.get("state");
    const state = held && held.cell === cell.id ? held.state : null;
    if (!made || made.pack !== pack || made.state !== state) {
      made = { pack, state, cell: { ...cell, state } };
    }
    return made.cell;
  }

  /* Make this browser a tablet. Resolves to {ok: true} or {ok: false, message}; rejects where
     there is no network. */
  async function enrol(code) {
    const answer = await server.post("tablet/enrol", { code });
    if (answer.status !== 200) return { ok: false, message: server.messageOf(answer) };
    const { key, tablet: named, cell } = answer.body;
    const same = cell === null || cell === tablet.cellId;
    await store.setAll({ key, tablet: named, ...(same ? {} : { cell, state: null }) });
    root.trialog.outbox.nudge();
    await refresh();
    return { ok: true };
  }

  /* Move the tablet to a cell. Resolves to whether it is there: without the network it stays. */
  async function choose(cellId) {
    return await ask(cellId) === 200;
  }

  /* Ask for the pack and keep it. Resolves to whether the server was reached. */
  async function refresh() {
    return await ask(tablet.cellId) !== null;
  }

  /* Resolves to the answer's status; null: there was none. */
  async function ask(cell) {
    if (!tablet.key) return null;
    const asked = { turn, cell, key: tablet.key, from: tablet.cellId };
    let answer;
    try {
      answer = await server.get(`tablet/pack${cell ? `?cell=${cell}` : ""}`);
    } catch (error) {
      root.trialog.outbox.hear({ kind: "unreachable", status: error.status || null, message: "" });
      return null;
    }
    const outdated = asked.key !== tablet.key || asked.from !== tablet.cellId;
    if (answer.status === 200 && !outdated) take(answer.body, asked);
    /* While lines wait, only their own answer says that all is well. */
    if (answer.status !== 200 || root.trialog.outbox.waiting.length === 0) {
      root.trialog.outbox.hear(troubleIn(answer));
    }
    root.trialog.outbox.nudge();
    return answer.status;
  }

  function troubleIn(answer) {
    if (answer.status === 200) return null;
    const kind = answer.status === 401 ? "revoked" : "refused";
    return { kind, status: answer.status, message: server.messageOf(answer) };
  }

  /* While lines wait, the state in a pack may or may not hold them already; the answer to the
     lines themselves tells. Until then what was known stays. */
  function take(pack, asked) {
    const settled = asked.turn === turn && root.trialog.outbox.waiting.length === 0;
    const known = store.get("state");
    const fresh = !known || !pack.cell || known.cell !== pack.cell.id;
    const changes = { pack, ahead: clock.ahead };
    if (pack.cell) changes.cell = pack.cell.id;
    if (pack.cell && (settled || fresh)) changes.state = { cell: pack.cell.id, state: pack.cell.state };
    store.jot(changes);
  }

  store.onChange((event) => {
    if (event.kind === "settled") turn += 1;
    if (event.kind === "restored") clock.recall(store.get("ahead"));
    if (["facts", "restored", "settled"].includes(event.kind)) changed(event);
  });

  function look() {
    const idle = root.trialog.outbox.waiting.length === 0;
    if (document.visibilityState === "visible" && idle) refresh();
  }
  setInterval(look, LOOK);
  document.addEventListener("visibilitychange", look);
  root.addEventListener("online", look);

  root.trialog = Object.assign(root.trialog, { tablet });
})(window);
