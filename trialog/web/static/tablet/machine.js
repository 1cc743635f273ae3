/* The machine's own count, offered wherever its reading is typed: where the server has told one
   lately, and only as long as it is reached. Whoever types goes on typing. */
(function (root) {
  "use strict";

  const { clock, onTap, outbox, tablet, texts } = root.trialog;
  const { t, plural } = texts;
  const MINUTE = 60000;
  const targets = [];

  /* What the machine counts: {counter, age in ms}; null where nobody can tell. */
  function told() {
    const count = tablet.cell && tablet.cell.machine_count;
    const reached = outbox.trouble === null && root.navigator.onLine;
    if (!count || !reached || clock.now() > Date.parse(count.until)) return null;
    return { counter: count.counter, age: Math.max(0, clock.now() - Date.parse(count.at)) };
  }

  const ago = (age) => (age < MINUTE ? t("machine.now") : plural("machine.ago", Math.floor(age / MINUTE)));

  function show() {
    const now = told();
    targets.forEach((target) => {
      target.hidden = now === null;
      if (now === null) return;
      target.dataset.machine = now.counter; /* what is tapped is what was read */
      target.querySelector(".machine-says").textContent = t("machine.use", { reading: now.counter });
      target.querySelector(".machine-age").textContent = ago(now.age);
    });
  }

  /* Offer it beside these digits. */
  function beside(digits) {
    const target = digits.place.querySelector("[data-machine]");
    targets.push(target);
    onTap(target, () => digits.set(target.dataset.machine));
  }

  /* Somebody is about to type a reading: what the machine says now is better than before. */
  function ask() {
    show();
    if (tablet.cell && tablet.cell.machine_count) tablet.refresh();
  }

  root.trialog = Object.assign(root.trialog, { machine: { ask, beside, show, told } });
})(window);
