// Moves the figures of a run while it goes on; the page reloads once it stands otherwise.
"use strict";
(() => {
  const place = document.querySelector("[data-run]");
  if (!place || !window.EventSource) return;
  const meta = document.querySelector("meta[http-equiv=refresh]");
  if (meta) meta.remove();
  const set = (name, text) => { const to = place.querySelector(`[data-show=${name}]`); if (to && to.textContent !== text) to.textContent = text; };
  const amount = (cents) => cents === null ? place.dataset.untold || "none yet" : Math.round(cents / 100).toLocaleString("en-GB") + "\u00a0" + place.dataset.currency;
  const source = new EventSource(place.dataset.run);
  source.addEventListener("run", (event) => {
    const job = JSON.parse(event.data);
    set("phase", job.total ? `${job.phase}, ${job.done} of ${job.total}${place.dataset.counted || ""}` : job.phase);
    set("best", amount(job.best_cents));
    set("bound", amount(job.bound_cents));
    if (job.best_cents && job.bound_cents !== null) set("gap", (100 * (job.best_cents - job.bound_cents) / job.best_cents).toFixed(1) + "\u00a0%");
    // Its mark, what may be done and what there is to show are for the server to say.
    if (job.standing !== place.dataset.standing) { source.close(); location.reload(); }
  });
})();
