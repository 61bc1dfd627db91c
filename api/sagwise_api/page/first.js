// Runs before the first paint. Sets day or night, so that a rider at night is not blinded by a white flash, and opens
// the stream while the page's modules are still on their way; feed.js takes it over with what it has heard.
(function () {
  "use strict";
  var chosen = null;
  try { chosen = localStorage.getItem("sagwise-theme"); } catch (e) { chosen = null; }
  var dark = window.matchMedia("(prefers-color-scheme: dark)").matches;
  document.documentElement.dataset.theme = chosen === "day" || chosen === "night" ? chosen : dark ? "night" : "day";
  if (!document.currentScript.hasAttribute("data-live")) return;
  var early = { source: new EventSource("/api/v1/live/stream"), data: null, heard: null };
  early.source.onmessage = function (event) {
    early.data = event.data;
    early.heard = { steady: performance.now(), wall: Date.now() };
  };
  window.sagwiseEarly = early;
})();
