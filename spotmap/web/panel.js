// The trip panel, the key with its switches, and the scale bar.

/** Fill the panel with the plan's sections. */
function fillPanel(panel, plan) {
  const body = element("div", "sections");
  for (const section of plan.sections) {
    const node = element("section", section.tone, element("h2", "words", section.title));
    if (section.rows.length) {
      node.append(definitions(section.rows));
    }
    if (section.sentences.length) {
      node.append(element("ul", "", ...section.sentences.map((text) => element("li", "words", text))));
    }
    if (section.graph) {
      const graphs = document.getElementById("graphs");
      graphs.hidden = false;
      node.classList.add("with-graph");
      node.querySelector("h2").after(graphs);
    }
    const [first, ...later] = section.tables.map(tableBox);
    if (first) {
      node.classList.add("with-tables");
      node.append(first);
    }
    if (later.length) {
      const words = later.length === 1 ? "1 time more" : later.length + " times more";
      node.append(element("details", "later", element("summary", "", words), ...later));
    }
    body.append(node);
  }
  body.append(element("footer", "", "Page drawn with Leaflet 1.9.3 (BSD 2-Clause licence, inside this file) and folium."));
  panel.append(body);
}

/** Return a table in a box in which it scrolls where it is too wide. */
function tableBox(table) {
  const cell = (tag, scope, ...content) => {
    const node = element(tag, "", ...content);
    if (scope) {
      node.scope = scope;
    }
    return node;
  };
  const body = element("tbody", "");
  for (const [name, below, mark, values] of table.rows) {
    const marks = mark ? [element("span", "set", mark)] : [];
    const head = cell("th", "row", element("span", "words", name), ...marks, element("em", "words", below));
    body.append(element("tr", mark ? "set-row" : "", head, ...values.map((value) => cell("td", "", value))));
  }
  const head = element("thead", "", element("tr", "", ...table.head.map((words) => cell("th", "col", words))));
  return element("div", "table-box", element("table", "", element("caption", "", table.title), head, body));
}

/** Return the key: what each sign means, and a switch for each group of layers. */
function keyControl(map, groups) {
  const body = element("div", "key-body");
  for (const group of groups.filter((one) => one.entries.length)) {
    const box = element("input", "");
    box.type = "checkbox";
    box.checked = !group.off;
    box.disabled = group.layers.length === 0;
    box.addEventListener("change", () => group.layers.forEach((layer) =>
      box.checked ? map.addLayer(layer) : map.removeLayer(layer)));
    body.append(element("label", "key-group", box, element("span", "", group.title)));
    for (const [swatch, words] of group.entries) {
      body.append(element("div", "key-entry", swatch, element("span", "words", words)));
    }
  }
  const holder = element("details", "key", element("summary", "", "Key and layers"), body);
  return corner("topright", holder);
}

/** Return a picture of a line or of a filled box, drawn with the map's own classes. */
function swatch(className, shape, fill) {
  const box = { width: 34, height: 20, viewBox: "0 0 34 20", "aria-hidden": "true" };
  const line = shape === "line" ? { d: "M2 10H32" } : { d: "M1 1H33V19H1Z" };
  const extra = fill ? { fill: fill } : {};
  return drawn("svg", box, drawn("path", { ...line, ...extra, class: "swatch-" + shape + " " + className }));
}

/** Return what the key says, for what this plan has. */
function keyGroups(plan, layers) {
  const kinds = new Set(plan.legs.map((leg) => leg.kind));
  const closed = new Set(plan.closed.map((water) => water.kind));
  const has = (set, entries) => entries.filter(([name]) => set.has(name)).map(([, ...entry]) => entry);
  const sign = (className, text = "") => element("span", "key-sign", element("span", "sign " + className, text));
  return [
    { title: "Legs, in order", layers: [layers.legs], entries: has(kinds, [
      ["pass", swatch("leg-pass", "line"), "pass: gear down, fishing"],
      ["turn", swatch("leg-turn", "line"), "turn: gear down"],
      ["run", swatch("leg-run", "line"), "run: gear up"],
    ]) },
    { title: "Lure tracks", layers: [layers.lures], off: true, entries:
      plan.lures.map((lure, index) => [lureSwatch(index), lure.rod]) },
    { title: "Boat and lures", layers: [layers.vessel], entries: vesselEntries(plan) },
    { title: "Current arrows", layers: layers.flows ? [layers.flows] : [], entries: layers.flows
      ? flowEntries(plan.play) : [[element("span", "key-sign", "–"), "no current layer: none counted"]] },
    { title: "Closed water", layers: [layers.closed, layers.standoffs], entries: [...has(closed, [
      ["fishing", swatch("closed-fishing", "box", "url(#hatch-fishing)"), "no fishing"],
      ["entry", swatch("closed-entry", "box", "url(#hatch-entry)"), "no entry"],
      ["outside", swatch("closed-outside", "box", "url(#hatch-outside)"), "outside the open grounds"],
    ]), ...plan.closed.filter((water) => water.part).slice(0, 1).map((water) =>
      [swatch("closed-" + water.kind, "box", hatchOf(water)), "broken: for part of the trip"]),
    ...(closed.size ? [[swatch("standoff", "line"), "gear keeps outside this"]] : [])] },
    { title: "Hazards", layers: [layers.hazards], entries: plan.things.hazards.length
      ? [[sign("sign-hazard", "!"), "keep off"], ...(plan.things.hazards.every((hazard) => hazard.sign) ? []
        : [[swatch("hazard", "line"), "keep off; touch it for what it is"]])] : [] },
    { title: "Lanes", layers: [layers.lanes], entries: plan.things.lanes.length
      ? [[swatch("lane", "line"), "traffic lane, ferry route"]] : [] },
    { title: "Cautions", layers: [layers.cautions], entries: plan.things.cautions.length
      ? [[swatch("caution", "line"), "take care: touch it for why"]] : [] },
    { title: "Marks", layers: [layers.marks], entries: [
      ...(plan.things.marks.some((mark) => !mark.private && !mark.spot) ? [[sign("sign-mark"), "mark"]] : []),
      ...(plan.things.marks.some((mark) => mark.spot) ? [[sign("sign-mark sign-spot"), "spot from the spot book"]] : []),
      ...(plan.things.marks.some((mark) => mark.private) ? [[sign("sign-mark sign-private"), "private"]] : []),
    ] },
    { title: "Shape of the bottom", layers: [layers.forms], off: true, entries: formEntries(plan) },
    { title: "Depth lines", layers: [layers.lines], entries: [
      [swatch("line-worked", "line"), "worked by this plan"], [swatch("line-other", "line"), "other"],
    ] },
    { title: "Depth", layers: [layers.bands], entries: [
      [swatch("unknown", "box", "url(#unknown)"), "not surveyed: unknown, never deep"],
      ...plan.bands.map((band) =>
        [swatch("", "box", "var(--depth-" + band.shade + ")"), band.words]),
      [swatch("land", "box"), "land"],
    ] },
    { title: "Slope", layers: [layers.slope], off: true, entries: slopeEntries(plan) },
    { title: "Names and numbers", layers: [layers.names], entries: [[element("span", "key-sign", "Aa"), "on the map"]] },
  ];
}

/** Return a scale bar in metres (or kilometres) and nautical miles. */
function scaleControl(map) {
  const bars = [["m", 1], ["NM", 1852]].map(([unit, metres]) =>
    ({ unit, metres, bar: element("span", "bar"), words: element("span", "") }));
  const update = () => {
    const y = map.getSize().y / 2;
    const reach = map.distance(map.containerPointToLatLng([0, y]), map.containerPointToLatLng([110, y]));
    for (const { unit, metres, bar, words } of bars) {
      const room = reach / metres;
      const decade = 10 ** Math.floor(Math.log10(room));
      const round = [5, 2, 1].find((nice) => nice * decade <= room) * decade;
      bar.style.width = (110 * round) / room + "px";
      const kilometres = unit === "m" && round >= 1000;
      words.textContent = kilometres ? round / 1000 + " km" : Number(round.toPrecision(1)) + " " + unit;
    }
  };
  map.on("move zoomend resize", update);
  const control = corner("bottomleft", element("div", "scale", ...bars.map(({ bar, words }) =>
    element("div", "scale-row", bar, words))));
  map.whenReady(update);
  return control;
}

/** Return buttons that show the work, or all of the trip, and the one that asks for a section. */
function viewControl(map, legs, section) {
  const show = (gearDownOnly) => showAll(map, legs.bounds(gearDownOnly));
  return corner("topleft", element("div", "views leaflet-bar",
    button("Show the legs worked with gear down", "Work", () => show(true)),
    button("Show the whole trip", "Trip", () => show(false)), section.button));
}

/** Show all of a box, no closer than `most`, in the part of the map that the key, when it is open, leaves free. */
function showAll(map, bounds, most = map.getMaxZoom()) {
  const key = map.getContainer().querySelector(".key[open]");
  map.invalidateSize({ pan: false });
  map.fitBounds(bounds, {
    paddingTopLeft: [64, 36], paddingBottomRight: [key ? key.offsetWidth + 36 : 36, 48], animate: false,
    maxZoom: most,
  });
}

/** Return a Leaflet control that holds a node and keeps the map still under it. */
function corner(position, node) {
  const control = new L.Control({ position: position });
  control.onAdd = () => {
    L.DomEvent.disableClickPropagation(node);
    L.DomEvent.disableScrollPropagation(node);
    return node;
  };
  return control;
}
