// Follows a job's events; the page is loaded again when it has ended.
(function () {
  "use strict";
  var job = document.getElementById("job"), bar = document.getElementById("progress");
  var source = new EventSource(job.dataset.events), failures = 0;

  function data(event) {
    try { return JSON.parse(event.data); } catch (error) { return {}; }
  }
  source.addEventListener("progress", function (event) {
    var told = data(event);
    failures = 0;
    job.querySelector("[data-state]").textContent = "running";
    job.querySelector("[data-text]").textContent = told.text ? ": " + told.text : "";
    if (typeof told.share === "number") { bar.value = told.share; } else { bar.removeAttribute("value"); }
  });
  ["done", "failed", "cancelled"].forEach(function (end) {
    source.addEventListener(end, function () {
      source.close();
      location.reload();
    });
  });
  source.addEventListener("error", function () {  // the browser asks again by itself, for a while
    failures += 1;
    // An answer that is no stream, such as that too many are open, is final for the browser.
    if (failures > 5 || source.readyState === EventSource.CLOSED) {
      source.close();
      setTimeout(function () { location.reload(); }, 5000);
    }
  });
}());
