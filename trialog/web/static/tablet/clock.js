/* Two clocks: the tablet's own, however wrong, and the same one corrected by what is known of
   the server's. Neither decides an order. */
(function (root) {
  "use strict";

  const SLACK = 2000; /* ms that the two clocks of a browser may part before one was moved */

  let ahead = null; /* ms that the tablet's clock is ahead of the server's */
  let seen = { wall: Date.now(), steady: performance.now() };

  /* A clock that was set back shows: less time went by on it than on the browser's steady one.
     Set forward it looks like a tablet that slept; the server's next answer tells. */
  function watch() {
    const wall = Date.now();
    const steady = performance.now();
    const lost = (steady - seen.steady) - (wall - seen.wall);
    if (ahead !== null && lost > SLACK) ahead -= lost;
    seen = { wall, steady };
    return wall;
  }

  const clock = {
    /* Milliseconds by the tablet's own clock. */
    raw() {
      return watch();
    },

    /* Milliseconds by the server's clock, as well as it is known here. */
    now() {
      return watch() - (ahead || 0);
    },

    /* Seconds that the tablet's clock is ahead of the server's; null: never measured. */
    get ahead() {
      return ahead === null ? null : ahead / 1000;
    },

    /* Hear the server's time; `took` are the milliseconds that asking for it took. */
    hear(iso, took = 0) {
      const told = Date.parse(iso);
      if (!Number.isNaN(told)) ahead = watch() - took / 2 - told;
    },

    /* Go on with what an earlier page knew. */
    recall(seconds) {
      if (ahead === null && typeof seconds === "number") ahead = seconds * 1000;
    },
  };

  root.trialog = Object.assign(root.trialog || {}, { clock });
})(window);
