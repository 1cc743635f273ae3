/* What the tablet keeps: facts, lines that the server has not acknowledged, photos, and what the
   server said it did not take. Everything is in memory as well, so reading waits for nothing;
   where the disk fails, memory carries on and is written down as soon as the disk works again.

   Lines get their number from the disk, so two tabs never use one twice. */
(function (root) {
  "use strict";

  const { disk } = root.trialog;
  const ALL = ["facts", "lines", "photos", "told"];
  const AGAIN = 5000; /* ms between tries to write down what is only in memory */
  const MARK = "born"; /* a random word of this disk: another one means that it was cleared */
  const LAST = "trialog.last-number";

  const facts = new Map();
  const lines = new Map(); /* number → line */
  const photos = new Map(); /* number → {sha256, bytes}: of lines made on this page */
  const told = new Map(); /* number → {number, line, reason, at} */
  const loose = new Set(); /* numbers of lines that are only in memory */
  const looseFacts = new Set();
  const gone = new Set(); /* numbers that the server has, still on the disk */
  const { add: onChange, tell } = root.trialog.hearing();
  let last = 0;
  let timer = null;
  let opening = null;
  let whole = false; /* all that the disk holds has been read since it was opened */

  const other = root.BroadcastChannel ? new root.BroadcastChannel("trialog") : null;

  function share(event) {
    tell(event);
    if (other) other.postMessage(event);
  }

  /* ── Numbers that were given without the disk ────────────────────────────── */

  function lastGiven() {
    try {
      return Math.max(last, Number(root.localStorage.getItem(LAST)) || 0);
    } catch {
      return last;
    }
  }

  function giveWithoutDisk() {
    last = lastGiven() + 1;
    try {
      root.localStorage.setItem(LAST, String(last));
    } catch { /* then only this page knows */ }
    return last;
  }

  /* ── Lines ───────────────────────────────────────────────────────────────── */

  const queue = [];
  let writing = false;

  /* Write a line down; resolves to {number, kept} when it is on the disk, or when it is sure
     that the disk does not take it. Taps that come while one is being written share the next
     transaction: a slow disk must not make a queue of them. */
  function addLine(line, photo = null) {
    return new Promise((done) => {
      queue.push({ line, photo, done });
      if (!writing) writeQueue();
    });
  }

  async function writeQueue() {
    writing = true;
    while (queue.length > 0) {
      const some = queue.splice(0);
      const kept = await writeLines(some).then(() => true, () => false);
      if (!kept) some.forEach((one) => { one.number = giveWithoutDisk(); });
      /* The sender may have met one on the disk already. */
      const fresh = some.filter((one) => !lines.has(one.number)).map((one) => one.line);
      some.forEach((one) => hold(one, kept));
      if (kept && loose.size > 0) mend();
      if (!kept) mendLater();
      tell({ kind: "added", lines: fresh });
      if (other) other.postMessage({ kind: "added", kept, lines: some.map((one) => one.line) });
      some.forEach(({ number, done }) => done({ number, kept }));
    }
    writing = false;
  }

  function hold({ number, line, photo }, kept) {
    line.number = number;
    last = Math.max(last, number);
    lines.set(number, line);
    if (photo) photos.set(number, photo);
    if (!kept) loose.add(number);
  }

  function writeLines(some) {
    const names = some.some((one) => one.photo) ? ["lines", "photos"] : ["lines"];
    let floor = lastGiven();
    return disk.write(names, (shelf) => some.forEach((one) => {
      if (one.photo) shelf("photos").put(one.photo);
      shelf("lines").add(one.line).onsuccess = (event) => {
        one.number = event.target.result;
        if (one.number > floor) return;
        /* Numbers were given while the disk did not work: go on above them. */
        shelf("lines").delete(one.number);
        floor += 1;
        one.number = floor;
        shelf("lines").add({ ...one.line, number: floor });
      };
    }));
  }

  /* The first lines to send, from the disk: another tab's are among them, and what another tab
     has sent is not. */
  async function firstLines(count, skip) {
    const most = count + gone.size + skip.size;
    const before = last;
    const stored = await storedLines(most);
    if (stored) agree(stored, stored.length < most ? before : 0);
    return [...(stored || lines.values())].filter((line) => !loose.has(line.number))
      .concat(looseLines())
      .filter((line) => !gone.has(line.number) && !skip.has(line.number))
      .sort((one, two) => one.number - two.number)
      .slice(0, count);
  }

  /* Lines from the disk, where it is the one that was met before; else null: one that was
     cleared shows no lines, and they are not gone for that. */
  async function storedLines(most) {
    const found = await disk.read(["facts", "lines"], (shelf) => ({
      mark: shelf("facts").get(MARK), lines: shelf("lines").getAll(null, most),
    })).catch(() => null);
    if (found === null || !facts.has(MARK)) return null;
    if (found.mark.result === facts.get(MARK)) return found.lines.result;
    writeBack();
    mend();
    return null;
  }

  /* Memory follows the disk, whatever another tab forgot to say. Up to number `all` the disk has
     shown everything; a later line may have been written while it was read. */
  function agree(stored, all) {
    const unknown = stored.filter((line) => !lines.has(line.number) && !gone.has(line.number));
    unknown.forEach((line) => lines.set(line.number, line));
    if (unknown.length > 0) tell({ kind: "added", lines: unknown });
    const there = new Set(stored.map((line) => line.number));
    const left = all === 0 ? [] : [...lines.keys()]
      .filter((number) => number <= all && !there.has(number) && !loose.has(number));
    if (left.length === 0) return;
    forget(left);
    tell({ kind: "settled", numbers: left, parked: [], changes: {} });
  }

  const looseLines = () => [...loose].map((number) => lines.get(number));

  /* The bytes of a line's photo, or null where they were cleared away. */
  async function photoOf(line) {
    if (photos.has(line.number)) return photos.get(line.number).bytes;
    const found = await disk.read(["photos"], (shelf) => shelf("photos").get(line.photo))
      .catch(() => null);
    return found ? found.bytes : null;
  }

  /* Let lines go that the server has, and in the same turn keep what it said with that. */
  async function settle({ numbers, parked = [], changes = {} }) {
    const named = numbers.map((number) => lines.get(number)).filter(Boolean);
    try {
      await disk.jot(ALL, (shelf) => {
        numbers.forEach((number) => shelf("lines").delete(number));
        named.forEach((line) => line.photo && shelf("photos").delete(line.photo));
        parked.forEach((one) => shelf("told").put(one));
        Object.entries(changes).forEach(([key, value]) => shelf("facts").put(value, key));
      });
    } catch {
      numbers.filter((number) => !loose.has(number)).forEach((number) => gone.add(number));
      Object.keys(changes).forEach((key) => looseFacts.add(key));
      mendLater();
    }
    const event = { kind: "settled", numbers, parked, changes };
    remember(event);
    share(event);
  }

  /* All in one turn: nobody may see a line and a state that holds it already. */
  function remember({ numbers, parked, changes }) {
    forget(numbers);
    parked.forEach((one) => told.set(one.number, one));
    Object.entries(changes).forEach(([key, value]) => facts.set(key, value));
  }

  function forget(numbers) {
    numbers.forEach((number) => {
      lines.delete(number);
      photos.delete(number);
      loose.delete(number);
    });
  }

  async function forgetTold(numbers) {
    numbers.forEach((number) => told.delete(number));
    share({ kind: "seen", numbers });
    await disk.write(["told"], (shelf) => numbers.forEach((one) => shelf("told").delete(one)))
      .catch(() => {});
  }

  /* ── Facts ───────────────────────────────────────────────────────────────── */

  /* Keep facts; resolves to whether they are on the disk. */
  async function setAll(changes, write = disk.write) {
    Object.entries(changes).forEach(([key, value]) => facts.set(key, value));
    share({ kind: "facts", changes });
    try {
      await write(["facts"], (shelf) => Object.entries(changes).forEach(([key, value]) => {
        shelf("facts").put(value, key);
      }));
      return true;
    } catch {
      Object.keys(changes).forEach((key) => looseFacts.add(key));
      mendLater();
      return false;
    }
  }

  /* ── The disk coming and going ───────────────────────────────────────────── */

  async function load() {
    if (!disk.ready) await disk.open();
    const found = await disk.read(ALL, (shelf) => ({
      keys: shelf("facts").getAllKeys(),
      values: shelf("facts").getAll(),
      lines: shelf("lines").getAll(),
      told: shelf("told").getAll(),
    }));
    const stored = new Map(found.keys.result.map((key, at) => [key, found.values.result[at]]));
    if (facts.has(MARK) && stored.get(MARK) !== facts.get(MARK)) writeBack();
    stored.forEach((value, key) => { if (!looseFacts.has(key)) facts.set(key, value); });
    found.told.result.forEach((one) => told.set(one.number, one));
    restore(found.lines.result);
    whole = true;
    if (!facts.has(MARK)) await setAll({ [MARK]: String(Math.random()) });
    tell({ kind: "restored" });
  }

  function restore(stored) {
    last = Math.max(last, ...stored.slice(-1).map((line) => line.number));
    if (stored.some(isOther)) numberAnew();
    stored.filter((line) => !gone.has(line.number) && !loose.has(line.number))
      .forEach((line) => lines.set(line.number, line));
  }

  const isOther = ({ number, client_id: id }) => loose.has(number) && lines.get(number).client_id !== id;

  /* The disk answered late: lines made meanwhile took numbers that it had given before. They
     are the newer ones, so they go above. */
  function numberAnew() {
    [...loose].sort((one, two) => one - two).forEach((old) => {
      const line = lines.get(old);
      const photo = photos.get(old);
      forget([old]);
      last += 1;
      hold({ number: last, line, photo }, false);
    });
  }

  /* The disk was cleared while the page was open: everything in memory goes back to it. */
  function writeBack() {
    lines.forEach((line, number) => loose.add(number));
    facts.forEach((value, key) => looseFacts.add(key));
    gone.clear();
    tell({ kind: "cleared" });
  }

  let mending = null;
  function mend() {
    mending = mending || doMend().catch(() => mendLater()).finally(() => { mending = null; });
    return mending;
  }

  async function doMend() {
    clearTimeout(timer);
    timer = null;
    if (!disk.ready || !whole) await load();
    const written = { numbers: [...loose], facts: [...looseFacts], gone: [...gone] };
    if (written.numbers.length + written.facts.length + written.gone.length > 0) {
      await disk.write(ALL, (shelf) => {
        written.numbers.forEach((number) => {
          shelf("lines").put(lines.get(number));
          if (photos.has(number)) shelf("photos").put(photos.get(number));
        });
        written.gone.forEach((number) => shelf("lines").delete(number));
        written.facts.forEach((key) => shelf("facts").put(facts.get(key), key));
        told.forEach((one) => shelf("told").put(one));
      });
      written.numbers.forEach((number) => loose.delete(number));
      written.facts.forEach((key) => looseFacts.delete(key));
      written.gone.forEach((number) => gone.delete(number));
    }
    tell({ kind: "kept" });
  }

  function mendLater() {
    tell({ kind: "kept" });
    if (timer === null) timer = setTimeout(mend, AGAIN);
  }

  disk.lost = () => {
    whole = false;
    tell({ kind: "kept" });
    setTimeout(mend, 0);
  };

  /* ── Another tab of this tablet ──────────────────────────────────────────── */

  function hear(event) {
    if (event.kind === "added") {
      event.lines = event.lines.filter((line) => !lines.has(line.number));
      /* What the other tab could not write down is safer in two memories. */
      event.lines.forEach((line) => hold({ number: line.number, line }, event.kept));
    }
    if (event.kind === "settled") remember(event);
    if (event.kind === "facts") remember({ numbers: [], parked: [], changes: event.changes });
    if (event.kind === "seen") event.numbers.forEach((number) => told.delete(number));
    tell(event);
  }
  if (other) other.onmessage = ({ data }) => hear(data);

  const store = {
    /* Resolves to {kept} once what was kept is in memory; asked again, to the same. */
    open() {
      opening = opening || load().catch(() => mendLater()).then(() => ({ kept: disk.ready }));
      return opening;
    },
    get: (key) => facts.get(key),
    set: (key, value) => setAll({ [key]: value }),
    setAll,
    /* For what the server has as well, such as the pack. */
    jot: (changes) => setAll(changes, disk.jot),
    addLine,
    lines: () => [...lines.values()].sort((one, two) => one.number - two.number),
    get size() { return lines.size; },
    get looseCount() { return loose.size; },
    /* A line is on its way to the disk. */
    get writing() { return writing; },
    /* The disk has everything; without that, a reload loses lines, or that this is a tablet. */
    get kept() { return disk.ready && whole && loose.size + looseFacts.size === 0; },
    told: () => [...told.values()],
    firstLines,
    photoOf,
    settle,
    forgetTold,
    onChange,
  };

  root.trialog = Object.assign(root.trialog, { store });
})(window);
