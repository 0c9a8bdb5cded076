"use strict";
// What a score in a blind test is worth. Each answer of a guesser is right with probability 1/2, so
//
//   P(right or more of trials) = Σ_{k ≥ right} C(trials, k) / 2^trials
//
// Source: binomial distribution; counted in whole numbers, so that nothing is rounded before the division.

/** Ways to be right `right` times or more in `trials` answers, and all ways there are, both exact. */
function waysToDoAsWell(right, trials) {
  let ways = 0n;
  let choose = 1n; // C(trials, k)
  for (let k = 0n; k <= BigInt(trials); k += 1n) {
    if (k >= BigInt(right)) ways += choose;
    choose = (choose * (BigInt(trials) - k)) / (k + 1n);
  }
  return { ways, all: 1n << BigInt(trials) };
}

/** Probability that a guesser does as well. */
function odds(right, trials) {
  const { ways, all } = waysToDoAsWell(right, trials);
  return Number(ways) / Number(all);
}

/** The same in plain words: "1 of 26 runs". */
function oddsInWords(right, trials) {
  const share = odds(right, trials);
  if (share === 1) return "every run";
  // Above one in ten "1 of 3 runs" would stand for anything from 0.29 to 0.4.
  if (share > 0.1) return `${Math.round(100 * share)} of 100 runs`;
  return `1 of ${Math.round(1 / share).toLocaleString("en")} runs`;
}
