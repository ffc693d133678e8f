// A page that does not change by itself says when it was made, and when Wheeltap does not answer any more.
"use strict";
(() => {
  const asOf = document.getElementById("as-of");
  const made = asOf.textContent;
  const every = 5000;
  let answeredAt = Date.now();

  const clock = (ms) => new Date(ms).toISOString().slice(0, 19).replace("T", " ") + " UTC";

  function say(isLost) {
    const text = isLost ? made + "; no answer since " + clock(answeredAt) : made;
    if (asOf.textContent !== text) asOf.textContent = text;
    asOf.classList.toggle("lost", isLost);
  }

  // A held-open stream in each of many tabs would use up the browser's connections to one server.
  async function look() {
    if (document.hidden) return;
    try {
      const answer = await fetch("/now", { cache: "no-store", signal: AbortSignal.timeout(every) });
      const now = await answer.json();
      if (now.connected) answeredAt = Date.now();
      say(!now.connected);
    } catch {
      say(true);
    }
  }

  setInterval(look, every);
  document.addEventListener("visibilitychange", look);
})();
