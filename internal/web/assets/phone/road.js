// @ts-check
// The courier's screen. What it draws is loaded once it is known who scans where.
import { start } from "./bar.js";

const phone = await start();
const { run } = await import("./road-app.js");
await run(phone);
