// Lure tracks: for each rod a thin bright thread on a dark edge, the reverse of the legs, which are dark on a pale one.

const LURE_COLOURS = 4;
const LURE_TAP_PX = 14;

/** Return the classes of a rod's thread by its place: the first four differ in colour and dash, sixteen in one. */
function lureClass(index) {
  const dash = (index + Math.floor(index / LURE_COLOURS)) % LURE_COLOURS;
  return "lure lure-" + (index % LURE_COLOURS) + " lure-dash-" + dash;
}

/** Return the layer of all lure tracks. A tap tells of every rod near it, the nearest first. */
function lureLayer(map, plan, surfaces) {
  const shared = { renderer: surfaces.lures, pane: "lures", smoothFactor: 0.5 };
  const edges = [];
  const threads = [];
  const grips = [];
  plan.lures.forEach((lure, index) => lure.lines.forEach((line) => {
    const points = unpack(line.shape);
    edges.push(L.polyline(points, { ...shared, interactive: false, className: "lure-edge" }));
    threads.push(L.polyline(points, { ...shared, interactive: false, className: lureClass(index) }));
    const grip = L.polyline(points, { ...shared, weight: LURE_TAP_PX, className: "grip" });
    grips.push({ lure: lure, line: line, index: index, grip: grip });
  }));
  const layer = L.layerGroup([...edges, ...threads, ...grips.map((one) => one.grip)]);
  const tell = (event) => {
    L.DomEvent.stop(event);
    const at = map.latLngToLayerPoint(event.latlng);
    const near = grips.map((one) => ({ ...one, far: one.grip.closestLayerPoint(at)?.distance ?? Infinity }))
      .filter((one) => one.far <= LURE_TAP_PX).sort((one, other) => one.far - other.far);
    map.openPopup(lureCard(near), event.latlng, {
      maxHeight: 0.5 * map.getSize().y, maxWidth: Math.min(300, map.getSize().x - 132),
      autoPanPaddingTopLeft: [64, 60], autoPanPaddingBottomRight: [12, 12],
    });
  };
  grips.forEach(({ grip }) => grip.on("click", tell));
  return layer;
}

/** Return what a tap says: for each rod, its name and what its lure does on the legs here. */
function lureCard(near) {
  const node = element("div", "card");
  for (const lure of new Set(near.map((one) => one.lure))) {
    const mine = near.filter((one) => one.lure === lure);
    node.append(element("p", "lure-name", lureSwatch(mine[0].index), element("strong", "words", lure.rod)));
    for (const { line } of mine) {
      node.append(element("p", "words", line.words));
    }
  }
  node.append(element("p", "lure-note", "Slowest: the lure's least speed, as a share of trolling speed."));
  return node;
}

/** Return a picture of a rod's thread. */
function lureSwatch(index) {
  const picture = swatch("lure-edge", "line");
  picture.append(drawn("path", { d: "M2 10H32", class: "swatch-line " + lureClass(index) }));
  return picture;
}
