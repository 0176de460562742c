// @ts-check
// The courier's screen. What it draws is loaded once it is known who scans where.
import { alone } from "./alone.js";
import { start } from "./bar.js";

const phone = await start();
await alone("road");
const { run } = await import("./road-app.js");
await run(phone);
