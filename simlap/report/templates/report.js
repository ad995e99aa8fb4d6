"use strict";
(function () {
  const lap = JSON.parse(document.getElementById("stations").textContent);
  const body = document.body;
  const readout = document.getElementById("readout");
  const marker = document.querySelector(".map .marker");
  const last = lap.station.length - 1;
  const spacing = lap.length / lap.station.length;
  let at = 0;
  body.classList.add("scripted");

  const plots = Array.from(document.querySelectorAll(".plot"), function (element) {
    const cursor = document.createElement("i");
    cursor.className = "cursor";
    element.appendChild(cursor);
    element.classList.add("live");
    element.tabIndex = 0;
    element.setAttribute("role", "slider");
    element.setAttribute("aria-label", element.dataset.label + ", station");
    element.setAttribute("aria-valuemin", "0");
    element.setAttribute("aria-valuemax", String(Math.round(lap.length)));
    const plot = { element, cursor, start: Number(element.dataset.start), span: Number(element.dataset.span) };
    element.addEventListener("pointermove", function (event) { point(plot, event); });
    element.addEventListener("pointerdown", function (event) { point(plot, event); });
    element.addEventListener("keydown", function (event) { walk(plot, event); });
    element.addEventListener("focus", function () { enter(plot); });
    element.setAttribute("aria-valuenow", "0");
    element.setAttribute("aria-valuetext", sentence(0));
    return plot;
  });

  function ahead(plot, station) {
    return (((station - plot.start) % lap.length) + lap.length) % lap.length;
  }

  function nearest(station) {
    const index = Math.round(((station % lap.length) + lap.length) % lap.length / spacing);
    return index > last ? 0 : index;
  }

  function point(plot, event) {
    const box = plot.element.getBoundingClientRect();
    const share = Math.min(Math.max((event.clientX - box.left) / box.width, 0), 1);
    mark(nearest(plot.start + share * plot.span));
  }

  function enter(plot) {
    if (ahead(plot, lap.station[at]) > plot.span) { mark(nearest(plot.start)); } else { mark(at); }
  }

  function walk(plot, event) {
    const steps = { ArrowRight: 1, ArrowUp: 1, ArrowLeft: -1, ArrowDown: -1 };
    let next;
    if (event.key in steps) {
      const metres = event.shiftKey ? 50 : spacing;
      next = lap.station[at] + steps[event.key] * metres;
    } else if (event.key === "PageDown" || event.key === "PageUp") {
      next = corner(event.key === "PageDown" ? 1 : -1);
    } else if (event.key === "Home") {
      next = plot.start;
    } else if (event.key === "End") {
      next = plot.start + plot.span - spacing;
    } else {
      return;
    }
    event.preventDefault();
    mark(nearest(next));
  }

  function corner(direction) {
    const here = lap.station[at];
    const gaps = lap.starts.map(function (start) {
      const gap = ((direction * (start - here)) % lap.length + lap.length) % lap.length;
      return gap < spacing ? gap + lap.length : gap;
    });
    return lap.starts[gaps.indexOf(Math.min.apply(null, gaps))];
  }

  function sentence(index) {
    const phase = lap.phase[index];
    const parts = [
      Math.round(lap.station[index]) + " m, " + lap.corners[Math.floor(phase / 3)] + ", " + lap.phases[phase % 3],
      "typical " + lap.typical[index].toFixed(0) + ", best " + lap.best[index].toFixed(0) + ", limit " + lap.limit[index].toFixed(0) + " km/h",
      lap.lost[index].toFixed(2) + " s lost so far, " + lap.rate[index].toFixed(2) + " s per 100 m here"
    ];
    for (const pedal of lap.pedals) { parts.push(pedal.word + " " + pedal.values[index] + " " + pedal.unit); }
    return parts.join(" \u00b7 ");
  }

  function mark(index) {
    at = index;
    const station = lap.station[index];
    const text = sentence(index);
    body.classList.add("linked");
    marker.setAttribute("cx", lap.x[index]);
    marker.setAttribute("cy", lap.y[index]);
    for (const plot of plots) {
      const place = ahead(plot, station);
      const inside = place <= plot.span;
      plot.cursor.classList.toggle("in", inside);
      if (inside) { plot.cursor.style.left = 100 * place / plot.span + "%"; }
      plot.element.setAttribute("aria-valuenow", String(Math.round(station)));
      plot.element.setAttribute("aria-valuetext", text);
    }
    readout.hidden = false;
    readout.textContent = text;
  }

  const table = document.getElementById("ranked");
  for (const head of table.querySelectorAll("th[data-sort]")) {
    const button = document.createElement("button");
    button.type = "button";
    button.textContent = head.textContent;
    head.replaceChildren(button);
    button.addEventListener("click", function () { sort(head); });
  }
  table.querySelector("th[data-sort=rank]").setAttribute("aria-sort", "ascending");

  function sort(head) {
    const key = head.dataset.sort;
    const smallFirst = key === "rank" || key === "place";
    const before = head.getAttribute("aria-sort");
    const rising = before ? before === "descending" : smallFirst;
    for (const other of table.querySelectorAll("th[aria-sort]")) { other.removeAttribute("aria-sort"); }
    head.setAttribute("aria-sort", rising ? "ascending" : "descending");
    const rows = Array.from(table.tBodies[0].rows);
    rows.sort(function (a, b) { return (rising ? 1 : -1) * (Number(a.dataset[key]) - Number(b.dataset[key])); });
    table.tBodies[0].append(...rows);
  }
})();
