// Small tools: elements made of text (never of markup), shapes from whole-number steps, panes and styles.

const PANES = [
  "unknown", "bands", "slope", "lines", "forms", "lanes", "hatch", "land", "halo", "legs", "lures", "arrows", "hazards",
];
const SVG = "http://www.w3.org/2000/svg";

/** Return an element of this class that holds text or other elements. */
function element(tag, className, ...content) {
  const node = document.createElement(tag);
  if (className) {
    node.className = className;
  }
  node.append(...content);
  return node;
}

/** Return an SVG element with these attributes. */
function drawn(tag, attributes, ...children) {
  const node = document.createElementNS(SVG, tag);
  for (const [name, value] of Object.entries(attributes)) {
    node.setAttribute(name, value);
  }
  node.append(...children);
  return node;
}

/** Return a button with a name for those who cannot see it. */
function button(label, text, onClick) {
  const node = element("button", "", text);
  node.type = "button";
  node.title = label;
  node.setAttribute("aria-label", label);
  node.addEventListener("click", onClick);
  return node;
}

/** Return names and values as a list of definitions. */
function definitions(rows) {
  const list = element("dl", "");
  for (const [name, value] of rows) {
    list.append(element("dt", "", name), element("dd", "", value));
  }
  return list;
}

/** Return the lines or rings of a shape, each a list of [lat, lon]. */
function unpack(shape) {
  const scale = 10 ** shape.digits;
  return shape.parts.map((steps) => {
    const points = [];
    let lat = 0;
    let lon = 0;
    for (let i = 0; i < steps.length; i += 2) {
      lat += steps[i];
      lon += steps[i + 1];
      points.push([lat / scale, lon / scale]);
    }
    return points;
  });
}

/**
 * Make the map's panes, in the order of PANES, and return a drawing surface for each. All are SVG: a canvas hides
 * on paper what lies under it.
 */
function makeSurfaces(map) {
  const surfaces = {};
  PANES.forEach((name, index) => {
    const pane = map.createPane(name);
    pane.style.zIndex = 300 + index;
    surfaces[name] = L.svg({ pane: name, padding: 0.4 });
  });
  return surfaces;
}

/** Return whether a point [lat, lon] lies inside the rings of a shape (even-odd). */
function holds(rings, [lat, lon]) {
  let inside = false;
  for (const ring of rings) {
    for (let i = 0, j = ring.length - 1; i < ring.length; j = i++) {
      const [lat1, lon1] = ring[i];
      const [lat2, lon2] = ring[j];
      if (lat1 > lat !== lat2 > lat && lon < ((lon2 - lon1) * (lat - lat1)) / (lat2 - lat1) + lon1) {
        inside = !inside;
      }
    }
  }
  return inside;
}

/** Return a position in degrees and minutes. */
function positionWords(latlng) {
  const lon = ((((latlng.lng + 180) % 360) + 360) % 360) - 180;
  return minutesWords(latlng.lat, 2, "N", "S") + " " + minutesWords(lon, 3, "E", "W");
}

function minutesWords(value, width, positive, negative) {
  const thousandths = Math.round(Math.abs(value) * 60000);
  const degrees = String(Math.floor(thousandths / 60000)).padStart(width, "0");
  const minutes = ((thousandths % 60000) / 1000).toFixed(3).padStart(6, "0");
  return degrees + "°" + minutes + "′ " + (value < 0 ? negative : positive);
}
