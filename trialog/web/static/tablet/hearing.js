/* Telling others what changed. One that fails must not stop what tells it: a mistake in drawing
   the page must never lose a tap. The browser still reports the mistake as one. */
(function (root) {
  "use strict";

  function hearing() {
    const heard = [];
    return {
      add(act) { heard.push(act); },
      tell(news) {
        heard.forEach((act) => {
          try {
            act(news);
          } catch (error) {
            setTimeout(() => { throw error; }, 0);
          }
        });
      },
    };
  }

  root.trialog = Object.assign(root.trialog || {}, { hearing });
})(window);
