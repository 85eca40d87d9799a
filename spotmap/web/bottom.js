// The bottom as the page knows it: depth at any place, and slopes as a shade.

const SHADES = [[2, 0.12], [5, 0.22], [10, 0.34], [20, 0.48]];
const SHADE_RGB = [20, 17, 15];

/** Return how many metres a degree of latitude and one of longitude are, on WGS 84, as usual series. */
function metresPerDegree(lat) {
  const turn = (lat * Math.PI) / 180;
  const north = 111132.92 - 559.82 * Math.cos(2 * turn) + 1.175 * Math.cos(4 * turn);
  return [north, 111412.84 * Math.cos(turn) - 93.5 * Math.cos(3 * turn)];
}

/** Charted depth at the nodes of a grid, metres; what is not known is NaN. */
class Bottom {
  constructor(record) {
    const bytes = (text) => Uint8Array.from(atob(text), (letter) => letter.charCodeAt(0));
    const depths = new DataView(bytes(record.depths).buffer);
    this.record = record;
    this.bits = bytes(record.steps);
    this.hasSteps = this.bits.some(Boolean);
    this.depths = Float64Array.from({ length: record.rows * record.columns }, (_, node) => {
      const whole = depths.getInt16(2 * node, true);
      return whole === record.unknown ? NaN : whole * record.quantum_m;
    });
  }

  /** Return whether depth goes in steps at a node. */
  stepped(node) {
    return Boolean((this.bits[node >> 3] >> (7 - (node & 7))) & 1);
  }

  /** Return row and column of a place, with their fractions. */
  cell([lat, lon]) {
    return [(lat - this.record.south) / this.record.north_step, (lon - this.record.west) / this.record.east_step];
  }

  /** Return whether a place lies in the box that the grid is of. */
  reaches(place) {
    const [row, column] = this.cell(place);
    return row >= 0 && column >= 0 && row <= this.record.rows - 1 && column <= this.record.columns - 1;
  }

  /**
   * Return the depth at a place: straight between the four nodes round it; the shallowest of them where depth goes in
   * steps; NaN where one that counts is not known.
   */
  at(place) {
    if (!this.reaches(place)) {
      return NaN;
    }
    const { rows, columns } = this.record;
    const [row, column] = this.cell(place);
    const [r, c] = [Math.min(Math.floor(row), rows - 2), Math.min(Math.floor(column), columns - 2)];
    const [v, u] = [row - r, column - c];
    const corners = [[0, 0, (1 - u) * (1 - v)], [0, 1, u * (1 - v)], [1, 0, (1 - u) * v], [1, 1, u * v]]
      .filter(([, , share]) => share > 1e-9)
      .map(([up, on, share]) => [(r + up) * columns + c + on, share]);
    return corners.some(([node]) => this.stepped(node))
      ? Math.min(...corners.map(([node]) => this.depths[node]))
      : corners.reduce((sum, [node, share]) => sum + share * this.depths[node], 0);
  }

  /** Return the slope at a node in degrees from its eight neighbours (Horn 1981); NaN at steps and where unknown. */
  slope(row, column, [north_m, east_m]) {
    const { rows, columns } = this.record;
    if (row < 1 || column < 1 || row > rows - 2 || column > columns - 2) {
      return NaN;
    }
    const z = (up, on) => {
      const node = (row + up) * columns + column + on;
      return this.stepped(node) ? NaN : this.depths[node];
    };
    const east = z(1, 1) + 2 * z(0, 1) + z(-1, 1) - z(1, -1) - 2 * z(0, -1) - z(-1, -1);
    const north = z(1, -1) + 2 * z(1, 0) + z(1, 1) - z(-1, -1) - 2 * z(-1, 0) - z(-1, 1);
    return (Math.atan(Math.hypot(east / (8 * east_m), north / (8 * north_m)) + 0 * z(0, 0)) * 180) / Math.PI;
  }
}

/** Return the layer of slopes: the steeper the darker. The picture is made when it is first asked for. */
function slopeLayer(bottom) {
  const layer = L.layerGroup();
  layer.on("add", () => {
    if (!layer.getLayers().length) {
      layer.addLayer(slopePicture(bottom));
    }
  });
  return layer;
}

function slopePicture(bottom) {
  const { south, west, north_step, east_step, rows, columns } = bottom.record;
  const degree = metresPerDegree(south + 0.5 * rows * north_step);
  const steps = [degree[0] * north_step, degree[1] * east_step];
  const sheet = element("canvas", "");
  [sheet.width, sheet.height] = [columns, rows];
  const brush = sheet.getContext("2d");
  const picture = brush.createImageData(columns, rows);
  for (let row = 0; row < rows; row++) {
    for (let column = 0; column < columns; column++) {
      const slope = bottom.slope(row, column, steps);
      const shade = SHADES.findLast(([least]) => slope >= least);
      picture.data.set([...SHADE_RGB, shade ? Math.round(255 * shade[1]) : 0], 4 * ((rows - 1 - row) * columns + column));
    }
  }
  brush.putImageData(picture, 0, 0);
  const corners = [-0.5, rows - 0.5].map((row, index) =>
    [south + row * north_step, west + (index ? columns - 0.5 : -0.5) * east_step]);
  return L.imageOverlay(sheet.toDataURL(), corners,
    { pane: "slope", alt: "Slope of the bottom: the steeper the darker", className: "slope" });
}

/** Return what the key says of slopes. */
function slopeEntries(plan) {
  const { near, near_unit_m: unit } = plan.reading;
  const fill = (alpha) => "rgb(" + SHADE_RGB.join(" ") + " / " + alpha + ")";
  return [
    ...SHADES.map(([least, alpha], index) => {
      const next = SHADES[index + 1];
      return [swatch("", "box", fill(alpha)), next ? least + " to " + next[0] + "°" : "steeper than " + least + "°"];
    }),
    [element("span", "key-sign", "–"), "between readings " + Math.round(plan.bottom.every_m / unit) + " " + near
      + " apart; none where depth is told in areas"],
  ];
}
