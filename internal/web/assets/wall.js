// @ts-check
import { follow } from "./board.js";

follow();
