// @ts-check
// Decodes pictures of the camera off the page's thread.
import { prepareZXingModule, readBarcodes } from "./vendor/zxing/reader/index.js";

/**
 * @typedef {import("./sightings.js").Question} Question
 * @typedef {import("./sightings.js").Answer} Answer
 * @typedef {import("./sightings.js").Read} Read
 * @typedef {import("./sightings.js").Format} Format
 */

const NAMES = new Map([
  ["Code128", "Code 128"], ["DataMatrix", "Data Matrix"], ["QRCode", "QR"], ["Code39", "Code 39"], ["Codabar", "Codabar"],
  ["ITF", "Interleaved 2 of 5"], ["EANUPC", "EAN"], ["PDF417", "PDF417"], ["Aztec", "Aztec"],
]);

/** Linear formats, which are read within about 15 degrees of a side only. */
const LINEAR = /** @type {Set<Format>} */ (new Set(["Code128", "Code39", "Codabar", "ITF", "EANUPC"]));

// The library tries a quarter turn by itself, so straight, 30 and 60 degrees cover
// every angle. Found by trying, see the tests.
const TURNS = [30, 60];

/** Every so many looks the slow ways are tried too: light on dark, half the size. */
const FULL = 5;

/** Symbols looked for in one picture: two would do to ask, more name what is there. */
const MOST = 4;

// The default address of the wasm is another host's.
const loaded = prepareZXingModule({
  overrides: { locateFile: (name) => new URL(`./vendor/zxing/reader/${name}`, import.meta.url).href },
  fireImmediately: true,
});

const canvas = new OffscreenCanvas(1, 1);
const pen = /** @type {OffscreenCanvasRenderingContext2D} */ (canvas.getContext("2d", { willReadFrequently: true }));

/** @param {Answer} answer */
const tell = (answer) => postMessage(answer);

/**
 * Draws a picture turned about its middle, so large that nothing is cut off.
 * @param {ImageBitmap} picture
 * @param {number} degrees
 */
function turned(picture, degrees) {
  const a = (degrees * Math.PI) / 180;
  const [c, s] = [Math.abs(Math.cos(a)), Math.abs(Math.sin(a))];
  canvas.width = Math.ceil(picture.width * c + picture.height * s);
  canvas.height = Math.ceil(picture.width * s + picture.height * c);
  pen.fillStyle = "#808080"; // no edge against paper or dark that could be a bar
  pen.fillRect(0, 0, canvas.width, canvas.height);
  pen.translate(canvas.width / 2, canvas.height / 2);
  pen.rotate(a);
  pen.drawImage(picture, -picture.width / 2, -picture.height / 2);
  return pen.getImageData(0, 0, canvas.width, canvas.height);
}

/**
 * The middle of a symbol in the picture as it was before it was turned, in parts of it.
 * @param {import("./vendor/zxing/reader/index.js").ReadResult} r
 * @param {ImageData} data
 * @param {ImageBitmap} picture
 * @param {number} degrees
 */
function middle(r, data, picture, degrees) {
  const p = r.position;
  const corners = [p.topLeft, p.topRight, p.bottomLeft, p.bottomRight];
  const x = corners.reduce((sum, q) => sum + q.x, 0) / 4 - data.width / 2;
  const y = corners.reduce((sum, q) => sum + q.y, 0) / 4 - data.height / 2;
  const a = (-degrees * Math.PI) / 180;
  return {
    x: (x * Math.cos(a) - y * Math.sin(a)) / picture.width + 0.5,
    y: (x * Math.sin(a) + y * Math.cos(a)) / picture.height + 0.5,
  };
}

/**
 * @param {ImageBitmap} picture
 * @param {number} degrees
 * @param {Format[]} formats
 * @param {boolean} full
 */
async function decode(picture, degrees, formats, full) {
  const data = turned(picture, degrees);
  const found = await readBarcodes(data, {
    formats,
    tryHarder: true, tryRotate: true, tryInvert: full, tryDownscale: full,
    maxNumberOfSymbols: MOST, returnErrors: false,
    textMode: "Plain", // the default rewrites the text and drops separators
  });
  // One of a chain of symbols (structured append) holds a part of the data only.
  const whole = found.filter((r) => r.sequenceSize < 0);
  return {
    part: whole.length < found.length,
    reads: whole.map((r) => /** @type {Read} */ ({
      bytes: r.bytes.slice(), symbology: r.symbologyIdentifier, name: NAMES.get(r.symbology) ?? r.format, how: "camera",
      at: middle(r, data, picture, degrees),
    })),
  };
}

/** @param {Question} q */
async function look({ picture, look, formats }) {
  await loaded;
  const full = look % FULL === 0;
  let degrees = 0;
  let got = await decode(picture, degrees, formats, full);
  const lines = formats.filter((f) => LINEAR.has(f));
  if (got.reads.length === 0 && lines.length > 0) {
    degrees = TURNS[look % TURNS.length];
    const part = got.part;
    got = await decode(picture, degrees, lines, false);
    got.part ||= part;
  }
  picture.close();
  tell({ look, turned: degrees, ...got });
}

/** @param {unknown} e */
const fail = (e) => tell({ failed: e instanceof Error ? e.message : String(e) });

addEventListener("message", (e) => {
  look(/** @type {MessageEvent<Question>} */ (e).data).catch(fail);
});
loaded.then(() => tell({ ready: true }), fail);
