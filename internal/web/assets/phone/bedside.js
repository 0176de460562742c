// @ts-check
import { start } from "./bar.js";

await start();
