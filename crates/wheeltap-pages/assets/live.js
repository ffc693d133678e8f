// Keeps the board up to date, and says so when it is not.
"use strict";
(() => {
  const board = document.getElementById("board");
  const fresh = document.getElementById("fresh");
  const silentAfter = 12000;
  const marks = () => document.getElementById("shown").dataset;
  let shown = Number(marks().generation);
  let wanted = shown;
  let lastHeard = Date.now();
  let knownAt = Date.parse(marks().asOf);
  let isConnected = true;
  let isReading = false;

  const clock = (ms) => new Date(ms).toISOString().slice(11, 19) + " UTC";

  function say() {
    const isLost = !isConnected || Date.now() - lastHeard > silentAfter;
    const text = isLost ? "Not updated since " + clock(knownAt) : "Up to date, " + clock(knownAt);
    if (fresh.textContent !== text) fresh.textContent = text;
    fresh.classList.toggle("lost", isLost);
    // Said aloud when it changes, not every five seconds.
    fresh.setAttribute("aria-live", isLost ? "assertive" : "off");
  }

  // Somebody who writes a note keeps the field, the caret and what was written.
  function swap(html) {
    const active = document.activeElement;
    const id = active && board.contains(active) ? active.id : "";
    const notes = new Map();
    for (const field of board.querySelectorAll("input, select")) if (field.value) notes.set(field.id, field.value);
    const unfolded = [...board.querySelectorAll("details[open]")].map((part) => part.id);
    const caret = id && active.selectionStart !== undefined ? active.selectionStart : null;
    board.innerHTML = html;
    for (const [name, value] of notes) {
      const field = document.getElementById(name);
      if (field) field.value = value;
    }
    for (const part of unfolded) document.getElementById(part)?.setAttribute("open", "");
    const again = id && document.getElementById(id);
    if (again) {
      again.focus({ preventScroll: true });
      if (caret !== null && again.setSelectionRange) again.setSelectionRange(caret, caret);
    }
  }

  async function read() {
    if (isReading) return;
    isReading = true;
    try {
      while (shown !== wanted) {
        const asked = wanted;
        const answer = await fetch("/board", { cache: "no-store" });
        if (!answer.ok) throw new Error(answer.statusText);
        swap(await answer.text());
        // What was rendered may be older than what was asked for, and newer than what was told.
        shown = Number(marks().generation);
        if (shown >= asked) wanted = Math.max(shown, wanted);
        if (shown < wanted) await new Promise((go) => setTimeout(go, 200));
      }
    } catch {
      isConnected = false;
    } finally {
      isReading = false;
      say();
    }
  }

  const events = new EventSource("/live");
  events.onmessage = (event) => {
    const now = JSON.parse(event.data);
    lastHeard = Date.now();
    isConnected = now.connected;
    if (now.at > knownAt) knownAt = now.at;
    if (now.generation !== wanted || shown !== wanted) {
      wanted = now.generation;
      read();
    }
    say();
  };
  events.onerror = () => {
    isConnected = false;
    say();
  };
  setInterval(say, 1000);
  // Time left goes on without a change of any alert.
  setInterval(() => { shown = -1; read(); }, 60000);
})();
