/* The tablet's own disk: an IndexedDB database that may be missing, full, cleared or closed at
   any moment. What it says it wrote is written: a promise resolves when the transaction is
   complete, and with strict durability that means on the disk and not in some cache. */
(function (root) {
  "use strict";

  const NAME = "trialog";
  const VERSION = 1;
  const PATIENCE = 4000; /* ms; some browsers never answer an open that met a lock */
  const SHELVES = {
    facts: undefined,
    lines: { keyPath: "number", autoIncrement: true },
    photos: { keyPath: "sha256" },
    told: { keyPath: "number" },
  };

  let base = null;
  const disk = { lost: () => {} };

  function build(made) {
    Object.entries(SHELVES).forEach(([name, options]) => {
      if (!made.objectStoreNames.contains(name)) made.createObjectStore(name, options);
    });
  }

  /* Without a version the browser opens whatever is there: a newer page may have raised it. */
  function ask(version) {
    return new Promise((done, fail) => {
      const request = version ? root.indexedDB.open(NAME, version) : root.indexedDB.open(NAME);
      let late = false;
      const timer = setTimeout(() => {
        late = true;
        fail(new Error("the disk does not answer"));
      }, PATIENCE);
      request.onupgradeneeded = () => build(request.result);
      request.onerror = () => {
        clearTimeout(timer);
        fail(request.error);
      };
      request.onsuccess = () => {
        clearTimeout(timer);
        if (late) request.result.close();
        else done(request.result);
      };
    });
  }

  function lose(which) {
    if (base !== which) return;
    base = null;
    disk.lost();
  }

  function adopt(opened) {
    base = opened;
    opened.onclose = () => lose(opened); /* the browser took it: cleared, or damaged */
    opened.onversionchange = () => {
      opened.close(); /* a newer page must not wait for this one */
      lose(opened);
    };
  }

  disk.open = async () => {
    if (!root.indexedDB) throw new Error("this browser keeps nothing");
    adopt(await ask(VERSION).catch((error) => {
      if (error && error.name === "VersionError") return ask();
      throw error;
    }));
  };

  Object.defineProperty(disk, "ready", { get: () => base !== null });

  function stop(turn) {
    try {
      turn.abort();
    } catch { /* it has stopped already */ }
  }

  /* Do `work(shelf)` in one transaction over the named shelves. Resolves, once it is complete,
     to what a request that `work` returned found, or to what else it returned. */
  function run(names, mode, work, durability) {
    return new Promise((done, fail) => {
      if (base === null) throw new Error("the disk is not open");
      const turn = base.transaction(names, mode, { durability });
      let result;
      turn.oncomplete = () => done(result instanceof root.IDBRequest ? result.result : result);
      turn.onabort = () => fail(turn.error || new Error("not written"));
      try {
        result = work((name) => turn.objectStore(name));
      } catch (error) {
        stop(turn);
        throw error;
      }
    });
  }

  async function guarded(...order) {
    const used = base;
    try {
      return await run(...order);
    } catch (error) {
      if (error && error.name === "InvalidStateError") lose(used);
      throw error;
    }
  }

  disk.read = (names, work) => guarded(names, "readonly", work, "default");
  disk.write = (names, work) => guarded(names, "readwrite", work, "strict");
  /* For what the server has as well: a power cut may take it back. */
  disk.jot = (names, work) => guarded(names, "readwrite", work, "relaxed");

  root.trialog = Object.assign(root.trialog || {}, { disk });
})(window);
