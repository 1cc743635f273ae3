/* What a tap feels and sounds like: two tones that nobody confuses, and the screen that stays
   on while a shift is open. A browser that can do none of it logs all the same. */
(function (root) {
  "use strict";

  const { settings } = root.trialog;
  const BUZZ = { good: 25, failed: [60, 40, 60], undone: [25, 25, 25], chosen: 25 };
  /* Hz and seconds: good is one short high note, failed two low ones, falling. */
  const TONES = {
    good: [[1318, 0, 0.09]],
    failed: [[392, 0, 0.14], [262, 0.16, 0.22]],
    undone: [[659, 0, 0.06], [523, 0.08, 0.06]],
  };
  let speaker = null;

  function play([pitch, after, long]) {
    const begin = speaker.currentTime + after;
    const note = speaker.createOscillator();
    const volume = speaker.createGain();
    note.type = "triangle";
    note.frequency.value = pitch;
    volume.gain.setValueAtTime(0.0001, begin);
    volume.gain.exponentialRampToValueAtTime(0.5, begin + 0.01);
    volume.gain.exponentialRampToValueAtTime(0.0001, begin + long);
    note.connect(volume).connect(speaker.destination);
    note.start(begin);
    note.stop(begin + long);
  }

  function sound(what) {
    const Speaker = root.AudioContext || root.webkitAudioContext;
    if (!settings.get("sound") || !Speaker || !TONES[what]) return;
    try {
      speaker = speaker || new Speaker();
      if (speaker.state === "suspended") speaker.resume();
      TONES[what].forEach(play);
    } catch {
      /* no loudspeaker: the screen has said it already */
    }
  }

  function feel(what) {
    if (settings.get("vibration") && root.navigator.vibrate) root.navigator.vibrate(BUZZ[what]);
    sound(what);
  }

  /* The lock is the browser's to take back, whenever the page is hidden: ask again when seen. */
  let wanted = false;
  let lock = null;
  async function awake() {
    if (!wanted || lock || !root.navigator.wakeLock || document.visibilityState !== "visible") return;
    try {
      const got = await root.navigator.wakeLock.request("screen");
      got.addEventListener("release", () => { lock = null; });
      lock = got;
      if (!wanted) got.release();
    } catch {
      /* the battery is low, or the browser will not: the tablet's own setting holds */
    }
  }

  function stayAwake(on) {
    wanted = on;
    if (on) awake();
    else if (lock) lock.release();
  }
  document.addEventListener("visibilitychange", awake);

  root.trialog = Object.assign(root.trialog, { feel, stayAwake });
})(window);
