/* A stop and its clear time: typed, or by a clock that runs until the cell runs again. */
(function () {
  "use strict";

  const { Digits, clock, closeSheets, log, onTap, sheet, start, whenOpened } = window.trialog;
  const $ = (id) => document.getElementById(id);

  /* A stop's clock survives a reload, but not the tablet's switching off. */
  const STOP = `trialog stop ${start.state.shift_id}`;
  let stopStarted = Number(sessionStorage.getItem(STOP)) || null;
  const stopSeconds = () => Math.max(0, Math.round((Date.now() - stopStarted) / 1000));

  const stop = new Digits("stop", (value) => {
    $("stop-log").disabled = value === null && stopStarted === null;
  });
  whenOpened("stop", () => { stop.clear(); showStop(); });

  function setStop(started) {
    stopStarted = started;
    if (started === null) sessionStorage.removeItem(STOP);
    else sessionStorage.setItem(STOP, String(started));
    stop.clear();
    showStop();
  }

  function showStop() {
    const running = stopStarted !== null;
    $("more").classList.toggle("running", running);
    $("more-name").textContent = running ? `Stop ${clock(stopSeconds())}` : "Stop, note, close";
    $("stop-clock").textContent = running ? "Leave the clock out" : "Start the clock";
    $("stop-log").textContent = running ? "Cleared: log the stop" : "Log the stop";
    if (running && stop.value === null) {
      sheet("stop").querySelector(".typed").textContent = clock(stopSeconds());
    }
    $("stop-words").textContent = running
      ? "The clock runs. Go back to log what happened; it runs on."
      : "Type minutes and seconds, or let the clock run.";
  }

  onTap($("stop-clock"), () => setStop(stopStarted === null ? Date.now() : null));
  onTap($("stop-log"), () => {
    log({ kind: "stop", clear_seconds: stop.value === null ? stopSeconds() : stop.value });
    setStop(null);
    closeSheets();
  });
  setInterval(() => { if (stopStarted !== null) showStop(); }, 1000);

  showStop();
})();
