/* The shift that runs: how it stands, logging a line in it, and saying what was logged. */
(function (root) {
  "use strict";

  const { Standing, clock, expected, missing, outbox, store, tablet, texts, wordsOf } = root.trialog;
  const counted = new Standing();
  const heard = [];

  const modulus = () => (tablet.cell ? tablet.cell.modulus : null);

  /* Lines of this cell. Nearly always that is all of them, and looking through 2,000 at each tap
     would cost more than the tap: only what is new is looked at. */
  let looked = { lines: null, cell: null, count: 0, mixed: false };
  function waiting() {
    const lines = outbox.waiting;
    const cell = tablet.cellId;
    const here = (line) => line.cell === undefined || line.cell === cell;
    if (looked.lines !== lines || looked.cell !== cell || lines.length < looked.count) {
      looked = { lines, cell, count: 0, mixed: false };
    }
    while (looked.count < lines.length) {
      looked.mixed = looked.mixed || !here(lines[looked.count]);
      looked.count += 1;
    }
    return looked.mixed ? lines.filter(here) : lines;
  }

  const standing = () => counted.of(tablet.cell ? tablet.cell.state : null, waiting(), modulus());

  function modes() {
    const devices = tablet.cell ? tablet.cell.devices : [];
    return devices.flatMap((device) => device.modes);
  }

  const mode = (id) => modes().find((one) => one.id === Number(id));

  function modeName(id) {
    const found = mode(id);
    return found ? found.name : texts.t("words.unknown_mode", { number: id });
  }

  /* Screen readers hear what was logged; the region is emptied first, so that the same words
     said twice are heard twice. */
  function say(words) {
    const said = document.getElementById("said");
    said.textContent = "";
    setTimeout(() => { said.textContent = words; }, 20);
  }

  /* Log a line in the running shift; resolves when it is kept, to the line as it stands. */
  async function log(fields, options) {
    const now = standing();
    const { line } = await outbox.add({ ...(now ? { shift: now.label } : {}), ...fields }, options);
    const after = standing();
    const stands = after && after.recent.findLast((one) => one.client_id === line.client_id);
    heard.forEach((act) => act(line));
    if (stands) say(words(stands));
    return stands || line;
  }

  const words = (line) => wordsOf(line, modeName);

  /* When a line was made, by the shop's clock. */
  const time = (line) => texts.moment(Date.parse(line.time), (tablet.pack || {}).zone);

  const date = () => {
    const zone = tablet.pack ? tablet.pack.zone : undefined;
    const form = { year: "numeric", month: "2-digit", day: "2-digit" };
    try {
      return new Intl.DateTimeFormat("en-CA", { ...form, timeZone: zone }).format(clock.now());
    } catch {
      return new Intl.DateTimeFormat("en-CA", form).format(clock.now());
    }
  };

  root.trialog = Object.assign(root.trialog, {
    shift: {
      log, say, standing, time, words, mode, modes, modeName, modulus, date, waiting,
      expected: () => expected(standing(), modulus()),
      missing: (reading) => missing(standing(), reading, modulus()),
      onLogged: (act) => heard.push(act),
      clearing: () => store.get("clearing") || null,
      setClearing: (running) => store.set("clearing", running),
    },
  });
})(window);
