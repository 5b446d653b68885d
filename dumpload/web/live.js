// Keeps the live page as it is now. Without it the page is complete, and shows what was so when it was loaded.
"use strict";
(() => {
  const LOST_MS = 15000, RETRY_MS = 15000;
  const link = document.getElementById("link");
  let source, heardAt = 0, openedAt = 0;

  const say = (words, lost) => {
    if (link.textContent !== words) link.textContent = words;
    document.body.classList.toggle("lost", lost);
  };
  const open = () => {
    openedAt = Date.now();
    source = new EventSource("/events");
    source.onmessage = event => {
      heardAt = Date.now();
      for (const [name, html] of Object.entries(JSON.parse(event.data))) document.getElementById(name).innerHTML = html;
      say("Live: updates automatically.", false);
    };
  };
  setInterval(() => {
    if (Date.now() - Math.max(heardAt, openedAt) > LOST_MS) say("No connection. This page may be out of date.", true);
    if (source.readyState === EventSource.CLOSED && Date.now() - openedAt > RETRY_MS) open();
  }, 1000);
  open();
})();
