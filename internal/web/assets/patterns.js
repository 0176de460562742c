// @ts-check
// The patterns of the site's number schemes, in the browser.

/** A pattern of label.Scheme; letters of both cases count. @param {string} pattern @returns {RegExp} */
export function expression(pattern) {
  const parts = pattern.replace(/\\(.)|\[([^\]]*)\]|(\{\d+(?:,\d+)?\})|([()])|(.)/g, (_, plain, set, times, bracket, c) => {
    if (set !== undefined) return "[" + set.replace(/[\\^]/g, "\\$&") + "]";
    if (times || bracket) return times ?? bracket;
    const any = /** @type {Record<string, string>} */ ({ "#": "[0-9]", "@": "[A-Z]", "*": "[0-9A-Z]" })[c];
    return any ?? (plain ?? c).replace(/[^0-9A-Za-z]/, "\\$&");
  });
  return new RegExp("^" + parts + "$", "i");
}

