// Runs before the first paint, so that a night page never opens with a white flash.
// "system" is the absence of the attribute: then prefers-color-scheme decides.
(function () {
  var stored = null;
  try { stored = localStorage.getItem("palette"); } catch (refused) { /* private window: the system decides */ }
  if (stored === "night" || stored === "day") document.documentElement.dataset.palette = stored;
})();
