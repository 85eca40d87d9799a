// Forms of the bottom: each kind with a look of its own, told by its outline, its pattern and its words.

const FORM_KINDS = {
  hump: "hump: shallower than what is around it",
  hole: "hole: deeper than what is around it",
  saddle: "saddle between two humps",
  flat: "flat",
  point: "point: a depth line bends round a spur",
  pocket: "pocket: a depth line bends into the slope",
  ledge: "ledge",
  "drop-off": "drop-off",
};
const FORM_PATTERNS = {
  hump: ["M3 9L7 4L11 9"], hole: ["M3 5L7 10L11 5"], saddle: ["M4 2C7 5 7 9 4 12", "M10 2C7 5 7 9 10 12"],
  flat: ["M3 7H11"],
};
const FORM_GRIP_PX = 16;
const MOST_FORM_NAMES = 120;

/** Put the fill patterns of forms into the page. */
function addFormPatterns() {
  const patterns = Object.entries(FORM_PATTERNS).map(([kind, paths]) =>
    pattern("form-" + kind, 14, 0, paths.map((path) => drawn("path", { d: path, class: "form-mark form-mark-" + kind }))));
  document.querySelector("svg.patterns defs").append(...patterns);
}

/** Return the layer of all forms, the widest lowest. */
function formLayer(plan, surfaces) {
  const shared = { renderer: surfaces.forms, pane: "forms", smoothFactor: 0.5 };
  const reach = (points) => {
    const box = L.latLngBounds(points.flat());
    return (box.getNorth() - box.getSouth()) * (box.getEast() - box.getWest());
  };
  const forms = plan.things.forms.map((form) => ({ form: form, points: unpack(form.shape) }))
    .sort((one, other) => reach(other.points) - reach(one.points));
  return L.layerGroup(forms.flatMap(({ form, points }) => {
    const name = "form form-" + form.kind;
    const says = (layer) => layer.bindPopup(() => card(form.name || form.kind, form.lines));
    if (form.areal) {
      return [says(L.polygon(points, {
        ...shared, className: name, fillColor: "url(#form-" + form.kind + ")", fillOpacity: 1,
      }))];
    }
    const still = { ...shared, interactive: false };
    return [
      L.polyline(points, { ...still, className: "form-edge form-edge-" + form.kind }),
      L.polyline(points, { ...still, className: name }),
      says(L.polyline(points, { ...shared, weight: FORM_GRIP_PX, className: "grip" })),
    ];
  }));
}

/** Put the names of the most significant forms on the board, for when their layer is shown. */
function nameForms(plan, board, layer) {
  plan.things.forms.slice(0, MOST_FORM_NAMES).forEach((form, rank) => {
    const points = unpack(form.shape);
    const node = element("span", "name name-form words", form.name || form.kind);
    const middleOf = form.areal ? [L.latLngBounds(points.flat()).getCenter()] : [along(points[0], 0.5).at];
    const on = () => [{ at: middleOf[0], dx: 0, dy: 0 }];
    const places = form.areal ? (...view) => [...on(), ...beside(middleOf, 10)(...view)] : beside(middleOf, 8);
    board.add({
      weight: 30 - rank / MOST_FORM_NAMES,
      shown: () => board.map.hasLayer(layer),
      variants: [{ node: node, places: places, clear: true }],
    });
  });
}

/** Return what the key says of forms: the kinds that there are. */
function formEntries(plan) {
  const kinds = new Set(plan.things.forms.map((form) => form.kind));
  const entries = Object.entries(FORM_KINDS).filter(([kind]) => kinds.has(kind)).map(([kind, words]) => {
    if (kind in FORM_PATTERNS) {
      return [swatch("form form-" + kind, "box", "url(#form-" + kind + ")"), words];
    }
    const picture = swatch("form-edge form-edge-" + kind, "line");
    picture.append(drawn("path", { d: "M2 10H32", class: "swatch-line form form-" + kind }));
    return [picture, words];
  });
  const left = plan.things.forms_left_out;
  return left ? [...entries, [element("span", "key-sign", "–"), left + " less significant ones are not drawn"]] : entries;
}
