// What we use of zxing-wasm 3.1.4, for the type checker; it is not served. Written
// after the package's own declarations (dist/es/reader/index.d.ts and
// dist/es/bindings), which are sixteen files and want two more packages.

/** Formats to look for, of the package's 42; camera.js says which we offer. */
export type Format = "Code128" | "DataMatrix" | "QRCode" | "Code39" | "Codabar" | "ITF" | "EANUPC" | "PDF417" | "Aztec";

export interface Point {
  x: number;
  y: number;
}

export interface ReadResult {
  bytes: Uint8Array;
  /** The format as it was found, which may be narrower than what was looked for. */
  format: string;
  /** The family of the format. */
  symbology: string;
  /** Of ISO/IEC 15424, with its "]". */
  symbologyIdentifier: string;
  /** How many symbols belong together; below 0 where this one stands alone. */
  sequenceSize: number;
  /** Corners, in pixels of what was given. */
  position: { topLeft: Point; topRight: Point; bottomLeft: Point; bottomRight: Point };
}

export interface ReaderOptions {
  formats?: Format[];
  tryHarder?: boolean;
  tryRotate?: boolean;
  tryInvert?: boolean;
  tryDownscale?: boolean;
  maxNumberOfSymbols?: number;
  returnErrors?: boolean;
  textMode?: "Plain" | "ECI" | "HRI" | "Escaped" | "Hex" | "HexECI";
}

export function prepareZXingModule(options: {
  overrides: { locateFile: (name: string) => string };
  fireImmediately: true;
}): Promise<unknown>;

export function readBarcodes(input: ImageData, options?: ReaderOptions): Promise<ReadResult[]>;
