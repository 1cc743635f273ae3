/* The lines that the server has not acknowledged, as the page sees them.

   A line gets its client id before anything else, then it is written down, then it is shown, then
   it is sent. It leaves only when an answer of the server named it. */
(function (root) {
  "use strict";

  const { clock, newId, sha256, store } = root.trialog;
  const { add: onChange, tell: changed } = root.trialog.hearing();
  let waiting = [];
  const writing = new Map(); /* client id → line on its way to the disk, which has no number yet */
  let trouble = null;
  let waited = 0; /* lines up to this number had to wait: they say what they knew when tapped */

  const iso = (milliseconds) => new Date(milliseconds).toISOString();

  const outbox = {
    /* Lines in the order of the taps, with their number and their cell's. Not to be changed. */
    get waiting() { return waiting; },
    get beingWritten() { return [...writing.values()]; },
    get since() { return waiting.length > 0 ? new Date(waiting[0].tablet_time) : null; },
    get trouble() { return trouble; },
    /* What the server did not take: {number, line, reason, at}. An engineer sees to it. */
    get parked() { return store.told(); },
    get notKept() { return store.looseCount; },
    add,
    seen: (numbers) => store.forgetTold(numbers || store.told().map((one) => one.number)),
    onChange,
    hear,
    hadToWait: (line) => line.number <= waited,
    /* Filled in by sending.js: try at once; try when what the tap changed is on the screen. */
    nudge() {},
    sendSoon() {},
  };

  /* What is known at the tap stands at once; only writing it down takes time. */
  function lineOf(fields) {
    const { cell, cellId, person } = root.trialog.tablet;
    const state = cell && cell.state;
    const line = {
      client_id: newId(),
      cell: cellId,
      ...(state && state.open ? { shift: state.label } : {}),
      ...(person ? { person: person.id } : {}),
      time: iso(clock.now()),
      tablet_time: iso(clock.raw()),
      ...(state ? { seen: state.sequence } : {}),
      ...fields,
    };
    return line;
  }

  /* Log a line. Resolves to {line, kept} once it is on the tablet's disk (kept), or once it is
     sure that only this page's memory has it. `photo`: the bytes of a JPEG, as a Blob. */
  async function add(fields, { photo = null } = {}) {
    const line = lineOf(fields);
    const picture = photo ? await pictureOf(photo) : null;
    if (picture) line.photo = picture.sha256;
    const troubled = trouble !== null;
    writing.set(line.client_id, line);
    const { number, kept } = await store.addLine(line, picture);
    if (troubled) waited = Math.max(waited, number);
    outbox.sendSoon();
    return { line, kept };
  }

  async function pictureOf(photo) {
    const bytes = await photo.arrayBuffer();
    return { sha256: await sha256(bytes), bytes };
  }

  /* Take note of how it stands with the server; null: well. */
  function hear(news) {
    if (news !== null && waiting.length > 0) waited = Math.max(waited, waiting.at(-1).number);
    if (same(news, trouble)) return;
    trouble = news;
    changed({ kind: "trouble" });
  }

  function same(one, two) {
    if (one === null || two === null) return one === two;
    return one.kind === two.kind && one.status === two.status && one.message === two.message;
  }

  /* ── What the store says, from this tab or another ───────────────────────── */

  function added(lines) {
    lines.forEach((line) => writing.delete(line.client_id));
    const inOrder = lines.every((line) => waiting.length === 0 || line.number > waiting.at(-1).number);
    waiting.push(...lines);
    if (!inOrder || lines.length > 1) waiting.sort((one, two) => one.number - two.number);
  }

  function settled(numbers) {
    const gone = new Set(numbers);
    waiting = waiting.filter((line) => !gone.has(line.number));
  }

  store.onChange((event) => {
    if (event.kind === "added") added(event.lines);
    if (event.kind === "settled") settled(event.numbers);
    if (event.kind === "restored") {
      waiting = store.lines();
      if (waiting.length > 0) waited = Math.max(waited, waiting.at(-1).number);
    }
    if (event.kind !== "facts") changed(event);
  });

  /* Closing the page loses what only its memory has: the browser asks first. */
  root.addEventListener("beforeunload", (event) => {
    if (outbox.notKept + writing.size > 0) event.preventDefault();
  });

  root.trialog = Object.assign(root.trialog, { outbox });
})(window);
