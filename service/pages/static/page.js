// Small conveniences; every page works without them.
"use strict";

// Search narrows the rows that are on the page while one types; without scripts the form does it.
for (const field of document.querySelectorAll("input[data-sift]")) {
  const table = document.querySelector(field.dataset.sift);
  if (!table) continue;
  const none = document.getElementById(table.id + "-none");
  field.form.querySelector("button").hidden = true;
  field.addEventListener("input", () => {
    const wanted = field.value.trim().toLowerCase();
    let left = 0;
    for (const row of table.tBodies[0].rows) {
      row.hidden = !row.dataset.search.includes(wanted);
      if (!row.hidden) left += 1;
    }
    if (none) none.hidden = left > 0;
  });
}

// The present values: ask for the newest interval, and take the section anew when it has changed.
const live = document.getElementById("now");
if (live && live.dataset.latest) {
  const words = document.getElementById("now-state");
  let shown = live.dataset.start;
  const refresh = async () => {
    if (document.hidden) return;
    try {
      const answer = await fetch(live.dataset.latest, { headers: { Accept: "application/json" } });
      if (answer.status === 404) return;
      if (!answer.ok) throw new Error(String(answer.status));
      const latest = await answer.json();
      const start = latest && latest.start;
      if (start && Date.parse(start) !== Date.parse(shown)) {
        const part = await fetch(live.dataset.part);
        if (!part.ok) throw new Error(String(part.status));
        live.innerHTML = await part.text();
        shown = start;
      }
      words.textContent = "";
    } catch (problem) {
      words.textContent = "The service does not answer; what stands here may be old. It tries again every 30 seconds.";
    }
  };
  setInterval(refresh, 30000);
}

// Raw trends, closer: the charting library is loaded from this service, and only when asked for.
for (const button of document.querySelectorAll("button[data-explore]")) {
  button.hidden = false;
  button.addEventListener("click", async () => {
    button.disabled = true;
    const place = document.getElementById(button.dataset.place);
    try {
      if (!window.Plotly) {
        await new Promise((loaded, failed) => {
          const script = document.createElement("script");
          script.src = button.dataset.library;
          script.onload = loaded;
          script.onerror = failed;
          document.head.append(script);
        });
      }
      const figure = await (await fetch(button.dataset.explore)).json();
      const style = getComputedStyle(document.documentElement);
      const ink = style.getPropertyValue("--ink").trim();
      const layout = Object.assign({
        paper_bgcolor: "rgba(0,0,0,0)", plot_bgcolor: "rgba(0,0,0,0)", height: 460,
        font: { family: style.fontFamily, color: ink, size: 13 },
        colorway: [ink, style.getPropertyValue("--ink-3").trim(), ink, style.getPropertyValue("--ink-3").trim()],
      }, figure.layout);
      const grid = style.getPropertyValue("--rule").trim();
      for (const axis of ["xaxis", "yaxis", "yaxis2"]) layout[axis] = Object.assign({ gridcolor: grid, zeroline: false }, layout[axis]);
      place.hidden = false;
      await window.Plotly.newPlot(place, figure.data, layout, { displaylogo: false, responsive: true, showSendToCloud: false, modeBarButtonsToRemove: ["sendDataToCloud", "lasso2d", "select2d"] });
      button.hidden = true;
    } catch (problem) {
      button.disabled = false;
      button.textContent = "It did not load. Try again";
    }
  });
}
