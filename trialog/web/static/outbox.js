/* The queue of lines that the server has not acknowledged yet. It knows no page.

   Lines go out in the order they were made, each with an id made here once; a line is let go
   only when the server says that it has it. Sending one again changes nothing, so a lost
   answer is mended by asking again. A line that the server refuses is set aside, visibly,
   and the rest goes on. */
(function (root) {
  "use strict";

  const BATCH = 20;
  const FIRST_WAIT = 1000;
  const LONGEST_WAIT = 10000;

  /* A UUID from getRandomValues: randomUUID exists on https pages only, and many shops serve
     their own network over plain http. */
  function newId() {
    const bytes = root.crypto.getRandomValues(new Uint8Array(16));
    bytes[6] = (bytes[6] & 0x0f) | 0x40;
    bytes[8] = (bytes[8] & 0x3f) | 0x80;
    const hex = Array.from(bytes, (byte) => byte.toString(16).padStart(2, "0")).join("");
    return [hex.slice(0, 8), hex.slice(8, 12), hex.slice(12, 16), hex.slice(16, 20), hex.slice(20)]
      .join("-");
  }

  /* send(lines) resolves to {status, body}; it rejects when there was no answer at all. */
  class Outbox {
    constructor({ send, changed, wait }) {
      this.send = send;
      this.changed = changed || (() => {});
      this.wait = wait || ((milliseconds) => new Promise((done) => setTimeout(done, milliseconds)));
      this.waiting = [];
      this.refused = [];
      this.trouble = null;
      this.sending = false;
      this.pause = FIRST_WAIT;
      this.round = 0;
      this.answers = new Map();
    }

    /* Queue a line and start sending. Resolves to {saved: true}, or {saved: false, error}.
       `aside: false`: a refused line is handed back to the caller instead of being set aside. */
    add(fields, { aside = true } = {}) {
      const line = { client_id: newId(), ...fields };
      this.waiting.push(line);
      const answer = new Promise((done) => this.answers.set(line.client_id, { done, aside }));
      this.changed();
      this.flush();
      return answer;
    }

    get unsaved() {
      return this.waiting.length + this.refused.length;
    }

    tryAgain() {
      this.waiting.push(...this.refused.map((one) => one.line));
      this.refused = [];
      this.changed();
      this.flush();
    }

    leaveOut() {
      this.refused = [];
      this.changed();
    }

    async flush() {
      this.round += 1;
      if (this.sending) {
        this.nudge();
        return;
      }
      this.sending = true;
      while (this.waiting.length > 0) {
        const round = this.round;
        const went = await this.sendSome();
        if (!went && round === this.round) {
          await this.rest();
        }
      }
      this.sending = false;
      this.changed();
    }

    /* Wait before the next try, longer each time; a new tap or nudge() ends the wait. */
    async rest() {
      const nudged = new Promise((done) => { this.nudge = done; });
      await Promise.race([this.wait(this.pause), nudged]);
      this.pause = Math.min(this.pause * 2, LONGEST_WAIT);
    }

    nudge() {}

    async sendSome() {
      const lines = this.waiting.slice(0, BATCH);
      let answer;
      try {
        answer = await this.send(lines);
      } catch {
        return this.fail({ kind: "unreachable" });
      }
      if (answer.status === 200 && answer.body && Array.isArray(answer.body.entries)) {
        return this.acknowledge(new Set(answer.body.entries.map((entry) => entry.client_id)));
      }
      const error = (answer.body && answer.body.error) || {};
      const refused = answer.status < 500 && lines.find((line) => line.client_id === error.client_id);
      if (refused) return this.setAside(refused, error);
      return this.fail({ kind: "refused", status: answer.status, error });
    }

    acknowledge(ids) {
      const before = this.waiting.length;
      this.waiting = this.waiting.filter((line) => !ids.has(line.client_id));
      if (this.waiting.length === before) return this.fail({ kind: "unreachable" });
      ids.forEach((id) => this.settle(id, { saved: true }));
      return this.succeed();
    }

    setAside(line, error) {
      this.waiting = this.waiting.filter((one) => one !== line);
      const asker = this.answers.get(line.client_id);
      if (!asker || asker.aside) this.refused.push({ line, error });
      this.settle(line.client_id, { saved: false, error });
      return this.succeed();
    }

    settle(id, result) {
      const asker = this.answers.get(id);
      this.answers.delete(id);
      if (asker) asker.done(result);
    }

    succeed() {
      this.trouble = null;
      this.pause = FIRST_WAIT;
      this.changed();
      return true;
    }

    fail(trouble) {
      this.trouble = trouble;
      this.changed();
      return false;
    }
  }

  root.trialog = Object.assign(root.trialog || {}, { Outbox, newId });
})(typeof window === "undefined" ? globalThis : window);
