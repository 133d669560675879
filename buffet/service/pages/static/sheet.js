// Checks a run sheet as it is typed.
(function () {
  "use strict";
  var sheet = document.getElementById("sheet"), says = document.getElementById("sheet-says");
  var file = document.getElementById("sheet-file"), recordings = document.getElementById("recordings");
  var waiting = 0, asked = 0;

  function line(parent, kind, text) {
    parent.appendChild(document.createElement(kind)).textContent = text;
  }
  function tell(faults) {
    says.textContent = "";
    says.classList.toggle("bad", faults.length > 0);
    sheet.setAttribute("aria-invalid", String(faults.length > 0));
    if (!faults.length) { line(says, "p", "The run sheet has no faults."); return; }
    line(says, "p", faults.length === 1 ? "1 fault:" : faults.length + " faults:");
    var list = says.appendChild(document.createElement("ul"));
    faults.forEach(function (fault) {
      var item = list.appendChild(document.createElement("li"));
      if (fault.key) { line(item, "code", fault.key); item.append(": "); }
      item.append(fault.problem);
    });
  }
  function check() {
    var own = asked += 1;
    if (!sheet.value.trim()) { says.textContent = ""; says.classList.remove("bad"); return; }
    fetch("/api/check-sheet", {
      method: "POST", credentials: "same-origin",
      headers: { "Content-Type": "application/json" },
      body: JSON.stringify({ sheet: sheet.value, campaign: Number(sheet.dataset.campaign),
        files: Array.from(recordings.files, function (one) { return one.name; }) })
    }).then(function (answer) {
      if (!answer.ok) { throw new Error(answer.status); }
      return answer.json();
    }).then(function (found) {
      if (own === asked) { tell(found.faults); }
    }).catch(function () {
      if (own === asked) { says.textContent = "The run sheet could not be checked; it will be when it is uploaded."; }
    });
  }
  function soon() {
    clearTimeout(waiting);
    waiting = setTimeout(check, 400);
  }
  sheet.addEventListener("input", soon);
  file.addEventListener("change", function () {  // shown and checked like what is typed
    if (!file.files.length) { return; }
    file.files[0].text().then(function (text) {
      sheet.value = text;
      file.value = "";
      check();
    });
  });
  recordings.addEventListener("change", check);  // a sheet may name them
  if (sheet.value) { check(); }
}());
