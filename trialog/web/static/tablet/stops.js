/* A stop and its clear time, by hand: typed, or by a clock that runs until the cell runs again. */
(function (root) {
  "use strict";

  const { Digits, board, clearing, clock, closeSheets, onTap, sheet, shift, texts, whenOpened } = root.trialog;
  const { t } = texts;
  const $ = (id) => document.getElementById(id);
  const typedOutput = sheet("stop").querySelector(".typed");

  const stop = new Digits(sheet("stop"), (value) => {
    $("stop-log").disabled = value === null && board.stoppedFor() === null;
    show();
  });

  function show() {
    const seconds = board.stoppedFor();
    const runs = seconds !== null;
    $("stop-clock").textContent = t(runs ? "stop.leave_out" : "stop.start");
    $("stop-log").textContent = t(runs ? "stop.cleared" : "stop.log");
    $("stop-words").textContent = t(runs ? "stop.runs" : "stop.hint");
    $("menu-stop").textContent = runs
      ? t("menu.stop_running", { time: texts.length(seconds) })
      : t("menu.stop");
    if (runs && stop.value === null) typedOutput.textContent = texts.length(seconds);
  }

  function setClock(running) {
    shift.setClearing(running);
    stop.clear();
    board.show();
  }

  whenOpened("stop", () => stop.clear());
  whenOpened("more", show);
  onTap($("stop-clock"), () => setClock(board.stoppedFor() === null
    ? clearing.byHand(null, { shift: shift.standing().label, at: clock.now() })
    : null));
  onTap($("stop-log"), async () => {
    closeSheets();
    const { value } = stop;
    if (value === null) await board.logStop();
    else await shift.log({ kind: "stop", clear_seconds: value });
    setClock(null);
  });
  setInterval(() => { if (board.stoppedFor() !== null && root.trialog.anyOpen()) show(); }, 1000);
})(window);
