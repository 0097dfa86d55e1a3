/** UCUM codes, judged and converted by the npm package @lhncbc/ucum-lhc. */
import { createRequire } from 'node:module';

const { UcumLhcUtils } = createRequire(import.meta.url)('@lhncbc/ucum-lhc');
export const UCUM = 'http://unitsofmeasure.org';

export class Ucum {
  #library = UcumLhcUtils.getInstance();
  #valid = new Map();

  /** Whether the text is a UCUM code exactly as written (the library also guesses at near misses). */
  isValid(code) {
    if (typeof code !== 'string' || code === '') return false;
    if (!this.#valid.has(code)) {
      const answer = this.#library.validateUnitString(code);
      this.#valid.set(code, answer.status === 'valid' && answer.ucumCode === code);
    }
    return this.#valid.get(code);
  }

  /** The value in the other unit as text, or null when it can't be converted. `value` is a decimal as text. */
  convert(value, from, to) {
    if (!this.isValid(from) || !this.isValid(to)) return null;
    const answer = this.#library.convertUnitTo(from, Number(value), to);
    return answer.status === 'succeeded' && Number.isFinite(answer.toVal) ? String(answer.toVal) : null;
  }
}

/** Whether the code writes a litre as `l`: valid UCUM, but the project writes `L`, so that search by code is exact. */
export function writesSmallLitre(code) {
  const parts = code.replace(/\{[^}]*\}/g, '').replace(/\[[^\]]*\]/g, '#').split(/[./()]/);
  return parts.some((part) => /^\d*(da|[YZEPTGMkhdcmunpfazy])?l[-+]?\d*$/.test(part));
}
