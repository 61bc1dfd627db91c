// Sets day or night before the first paint, so that a rider at night is not blinded by a white flash.
(function () {
  "use strict";
  var chosen = null;
  try { chosen = localStorage.getItem("sagwise-theme"); } catch (e) { chosen = null; }
  var dark = window.matchMedia("(prefers-color-scheme: dark)").matches;
  document.documentElement.dataset.theme = chosen === "day" || chosen === "night" ? chosen : dark ? "night" : "day";
})();
