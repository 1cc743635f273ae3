/* Taps as gloves make them.

   A browser's own click is lost when the finger slides a little, and a glove always slides.
   So a tap counts when the finger goes down on a target and comes up anywhere on it; the target
   shows it as soon as the finger is down. Every tap counts: nothing here drops a quick second
   one, since undo is cheap and a lost cycle is not. Keyboards and screen readers click without
   a finger, and that counts too. */
(function (root) {
  "use strict";

  const SHOWN = 180; /* ms that a target shows it was hit */
  const PRESSABLE = "button, a, input, textarea, label";

  function within(target, event) {
    const box = target.getBoundingClientRect();
    return event.clientX >= box.left && event.clientX <= box.right &&
      event.clientY >= box.top && event.clientY <= box.bottom;
  }

  function flash(target) {
    target.classList.add("hit");
    clearTimeout(target.hitTimer);
    target.hitTimer = setTimeout(() => target.classList.remove("hit"), SHOWN);
  }

  /* A tap that opens a sheet leaves the browser's click behind, and it falls on whatever the
     sheet put under the finger. A click counts only where the finger went down. */
  let pressed = null;
  const pressable = (element) => (element.closest ? element.closest(PRESSABLE) : null);
  document.addEventListener("pointerdown", (event) => {
    pressed = pressable(event.target);
    document.documentElement.dataset.by = "finger";
  }, true);
  document.addEventListener("keydown", () => { document.documentElement.dataset.by = "keys"; }, true);
  document.addEventListener("click", (event) => {
    if (event.detail === 0 || pressed === null || pressable(event.target) === pressed) return;
    event.preventDefault();
    event.stopImmediatePropagation();
  }, true);

  /* The click that follows a tap may come late, even after the next finger is down: each tap
     owes one, and that one is not a tap of its own. */
  const LATE = 1000; /* ms by the events' own times; then the click does not come any more */

  function onTap(target, act) {
    const down = new Set();
    let owed = [];
    const tapped = (event) => {
      if (target.disabled || target.closest("[data-fresh]")) return;
      flash(target);
      act(event);
    };
    target.addEventListener("pointerdown", (event) => {
      if (event.button !== 0 || target.disabled || target.closest("[data-fresh]")) return;
      down.add(event.pointerId);
      flash(target);
    });
    target.addEventListener("pointercancel", (event) => down.delete(event.pointerId));
    target.addEventListener("pointerup", (event) => {
      if (!down.delete(event.pointerId) || !within(target, event)) return;
      owed.push(event.timeStamp);
      tapped(event);
    });
    target.addEventListener("click", (event) => {
      owed = owed.filter((time) => event.timeStamp - time < LATE);
      if (event.detail !== 0 && owed.length > 0) owed.shift();
      else tapped(event);
    });
    /* The browser's own click comes a frame late, and takes the time that the answer needs. */
    if (target.matches("button")) {
      target.addEventListener("touchend", (event) => { if (event.cancelable) event.preventDefault(); });
    }
    target.addEventListener("contextmenu", (event) => event.preventDefault());
  }

  root.trialog = Object.assign(root.trialog || {}, { onTap });
})(window);
