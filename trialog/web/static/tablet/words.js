/* What a line says, in the words of the chosen language. */
(function (root) {
  "use strict";

  const SHORT = 40;
  const { texts } = root.trialog;
  const { t, plural, length, list } = texts;

  const shortened = (text) => (text.length > SHORT ? `${text.slice(0, SHORT - 1)}…` : text);

  function good(line) {
    if (line.counter !== undefined && line.counter !== null) {
      return plural("words.good_counter", line.cycles, { reading: line.counter });
    }
    /* Its place is not known: it waited while another tablet logged. */
    if (line.cycle_number === null) return plural("words.good_unplaced", line.cycles);
    if (line.cycles === 1) return t("words.good", { number: line.cycle_number });
    const first = line.cycle_number - line.cycles + 1;
    return t("words.good_many", { cycles: line.cycles, first, number: line.cycle_number });
  }

  function failed(line, name) {
    const modes = list(line.modes.map(name));
    if (line.cycle_number === null) return t("words.failed_unplaced", { modes });
    return t("words.failed", { number: line.cycle_number, modes });
  }

  function check(line, name) {
    if (!line.modes || line.modes.length === 0) return plural("words.check", line.cycles);
    return t("words.check_modes", { modes: list(line.modes.map(name)) });
  }

  function condition(line) {
    const word = t(`condition.${line.condition}`);
    if (!line.text) return word;
    return t("words.condition_text", { condition: word, text: shortened(line.text) });
  }

  const WORDS = {
    good, failed, check, condition,
    stop: (line) => t("words.stop", { time: length(line.clear_seconds || 0) }),
    note: (line) => t("words.note", { text: shortened(line.text || "") }),
    photo: () => t("words.photo"),
    open: (line) => t("words.open", { label: line.shift }),
    close: () => t("words.close"),
    undo: () => t("words.undo"),
  };

  /* `name` gives the name of a failure mode by its number. */
  function wordsOf(line, name) {
    return WORDS[line.kind] ? WORDS[line.kind](line, name) : line.kind;
  }

  root.trialog = Object.assign(root.trialog, { wordsOf });
})(window);
