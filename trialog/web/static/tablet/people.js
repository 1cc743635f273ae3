/* Who may log here, and who is signed in. The server checks a PIN while it can be reached; the
   tablet then keeps a slow hash of it, so that the same person can sign in without a network,
   with few tries. The hash goes when the person's role or PIN changes. */
(function (root) {
  "use strict";

  const { clock, hex, server, store, tablet } = root.trialog;
  const LASTS = 12 * 3600 * 1000; /* ms that a sign-in lasts: longer than any shift */
  const LOOK = 20000; /* ms between looks whether a sign-in has run out */
  const TRIES = 5;
  const ROUNDS = 600000; /* of PBKDF2 with SHA-256: OWASP's figure, from memory */
  const subtle = root.crypto && root.crypto.subtle;

  /* number of a person → {salt, hash, stamp, tries, at}: what this tablet knows of who signed in
     on it. `at`: when, by the server's clock as known here; null: left. */
  const known = () => store.get("people") || {};
  const knows = (id) => known()[id] || null;
  const keep = (id, what) => store.set("people", { ...known(), [id]: what });
  const inPack = (id) => ((tablet.pack && tablet.pack.people) || []).find((one) => one.id === id);

  /* A tablet's clock may be set back by hours; that must not sign people out, nor keep them in. */
  const lasts = (at) => typeof at === "number" && Math.abs(clock.now() - at) < LASTS;

  function current() {
    const id = store.get("person");
    const person = id ? inPack(id) : null;
    const here = id ? knows(id) : null;
    return person && here && here.stamp === person.stamp && lasts(here.at) ? person : null;
  }

  function list() {
    return ((tablet.pack && tablet.pack.people) || []).map((person) => {
      const here = knows(person.id);
      const same = here !== null && here.stamp === person.stamp;
      return {
        ...person,
        offline: same && Boolean(here.hash) && here.tries < TRIES,
        present: same && lasts(here.at),
      };
    });
  }

  /* ── Signing in ──────────────────────────────────────────────────────────── */

  let turn = Promise.resolve();

  /* Resolves to {ok: true, person, offline} or {ok: false, why, left, minutes, message}, `why` being
     "wrong", "locked", "refused" (may not log), "revoked" (the tablet is) or "not here yet" (no
     network, and never signed in here with one). One check at a time: tries made at once count one by one. */
  function signIn(id, pin) {
    const mine = turn.then(() => check(id, pin));
    turn = mine.catch(() => {});
    return mine;
  }

  async function check(id, pin) {
    let answer;
    try {
      answer = await server.post("tablet/sign-in", { person: id, pin });
    } catch (error) {
      if (!(error instanceof server.Unreachable)) throw error;
      return checkHere(id, pin);
    }
    if (answer.status === 200) return welcome(answer.body.person, pin);
    const message = server.messageOf(answer);
    if (answer.status === 401) {
      root.trialog.outbox.hear({ kind: "revoked", status: 401, message });
      return { ok: false, why: "revoked", message };
    }
    if (answer.status === 403 && answer.body.error.field !== "pin") {
      return { ok: false, why: "refused", message }; /* the PIN is right, the role is not */
    }
    if (answer.status === 429) return { ok: false, why: "locked", minutes: 1, message };
    const wait = answer.body.wait_until;
    if (wait) return { ok: false, why: "locked", minutes: minutesUntil(wait), message };
    return { ok: false, why: "wrong", message };
  }

  const minutesUntil = (time) => Math.max(1, Math.ceil((Date.parse(time) - clock.now()) / 60000));

  async function welcome(person, pin) {
    const secret = subtle ? await secretOf(pin) : {};
    await keep(person.id, { ...secret, stamp: person.stamp, tries: 0, at: clock.now() });
    await store.set("person", person.id);
    /* The pack may be older than a change of this person's role or PIN. */
    if ((inPack(person.id) || {}).stamp !== person.stamp) await tablet.refresh();
    return { ok: true, person, offline: false };
  }

  async function checkHere(id, pin) {
    const here = knows(id);
    const person = inPack(id);
    if (!here || !person || !here.hash || !subtle || here.stamp !== person.stamp) {
      return { ok: false, why: "not here yet" };
    }
    if (here.tries >= TRIES) return { ok: false, why: "locked", left: 0 };
    /* The try counts before it is made: closing the page in between wins nothing. */
    await keep(id, { ...here, tries: here.tries + 1 });
    if (await hashOf(pin, here.salt) !== here.hash) {
      const left = TRIES - here.tries - 1;
      return { ok: false, why: left > 0 ? "wrong" : "locked", left };
    }
    await keep(id, { ...here, tries: 0, at: clock.now() });
    await store.set("person", id);
    return { ok: true, person, offline: true };
  }

  async function secretOf(pin) {
    const salt = hex(root.crypto.getRandomValues(new Uint8Array(16)));
    return { salt, hash: await hashOf(pin, salt) };
  }

  async function hashOf(pin, salt) {
    const bytes = new TextEncoder();
    const key = await subtle.importKey("raw", bytes.encode(pin), "PBKDF2", false, ["deriveBits"]);
    const how = { name: "PBKDF2", hash: "SHA-256", salt: bytes.encode(salt), iterations: ROUNDS };
    return hex(new Uint8Array(await subtle.deriveBits(how, key, 256)));
  }

  /* ── Handing over and leaving ────────────────────────────────────────────── */

  /* Go on as somebody who signed in here with a PIN within 12 hours. Resolves to whether. */
  async function handOver(id) {
    const person = list().find((one) => one.id === id);
    if (!person || !person.present) return false;
    await store.set("person", id);
    return true;
  }

  /* Sign somebody out: the next time they need their PIN. */
  async function leave(id) {
    if (knows(id)) await keep(id, { ...knows(id), at: null });
    if (store.get("person") === id) await store.set("person", null);
  }

  /* A pack names who may log now. Whoever is not in it, or has another stamp (role or PIN
     changed), is forgotten here. */
  function forgetStale() {
    const stale = Object.keys(known())
      .filter((id) => (inPack(Number(id)) || {}).stamp !== known()[id].stamp);
    if (stale.length === 0) return;
    const rest = Object.entries(known()).filter(([id]) => !stale.includes(id));
    store.set("people", Object.fromEntries(rest));
  }

  store.onChange((event) => {
    if (event.kind === "facts" && event.changes.pack) forgetStale();
  });

  let was = null;
  setInterval(() => {
    const person = current();
    if (was !== null && person === null) tablet.tell({ kind: "expired" });
    was = person;
  }, LOOK);

  root.trialog = Object.assign(root.trialog, {
    people: { current, list, signIn, handOver, leave },
  });
})(window);
