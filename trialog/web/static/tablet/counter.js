/* The running count against the machine counter: a typed reading says what is missing, and the
   missing cycles are logged as good ones by the reading itself. */
(function (root) {
  "use strict";

  const { Digits, board, closeSheets, feel, machine, onTap, sheet, shift, texts, whenOpened } = root.trialog;
  const { t, plural } = texts;
  const $ = (id) => document.getElementById(id);

  /* How a reading compares, as a key and a number of cycles. */
  function compared(reading) {
    const more = shift.missing(reading);
    if (more === null) return ["unknown", 0];
    if (more === 0) return ["agrees", 0];
    return more > 0 ? ["missing", more] : ["fewer", -more];
  }

  function difference(reading) {
    const [how, cycles] = compared(reading);
    if (["missing", "fewer"].includes(how)) {
      if (how === "missing" && board.failuresOnly()) return plural("counter.failures", cycles);
      return plural(`counter.${how}`, cycles);
    }
    return t(how === "agrees" && board.failuresOnly() ? "counter.no_failures" : `counter.${how}`);
  }

  function should() {
    const reading = shift.expected();
    if (reading === null) return t("counter.unknown");
    return t("counter.should", { cycles: plural("cycles", shift.standing().logged), reading });
  }

  const typed = new Digits(sheet("counter"), (value) => {
    const [how, cycles] = value === null ? ["none", 0] : compared(value);
    $("counter-log").disabled = !["agrees", "missing"].includes(how);
    $("counter-log").textContent = how === "missing"
      ? plural("counter.log_missing", cycles)
      : t("counter.log");
    $("counter-words").textContent = value === null || how === "unknown"
      ? should()
      : `${should()} ${difference(value)}`;
  });
  machine.beside(typed);
  whenOpened("counter", () => {
    typed.clear();
    machine.ask();
  });

  /* Log that the counter reads this: the cycles since, that nobody logged, were good. */
  const logReading = (counter) => shift.log({ kind: "good", counter });

  onTap($("counter-log"), () => {
    closeSheets();
    logReading(typed.value).then(() => feel("good"));
  });

  root.trialog = Object.assign(root.trialog, { counter: { logReading } });
})(window);
