// What can be told apart: errors of the readings, carried into the score and into differences of scores.
//
// Every reading's own error and every error that several readings share is drawn (normal, JCGM 101:2008,
// Monte Carlo), the same draws for all arrangements, so that what two of them share cancels in their
// difference. The true value is reading plus error: chosen elements lie closer together on paper than they
// are, and the expected measures say by how much.
#pragma once

#include <cstdint>
#include <vector>

#include "calib/plate_match.h"
#include "calib/plate_match_search.h"

namespace conebook::calib {

struct TieOptions {
  std::uint32_t seed = 2;
  int draws = 400;  // u to some 4 %
};

// Of the same arrangement with true values in place of readings.
struct ExpectedMeasures {
  MatchMeasures root_mean_square;
  double u_score = 0.0;  // spread of the score over the draws
};
ExpectedMeasures Expect(const MatchProblem& problem, const std::vector<int>& placed,
                        const TieOptions& options = {});

struct ScoreDifference {
  double difference = 0.0;  // score of the other less that of the one, from the readings as they are
  double u = 0.0;
  bool Tied() const { return !(difference > u); }  // no better by more than u
};
std::vector<ScoreDifference> Differences(const MatchProblem& problem, const std::vector<int>& placed,
                                         const std::vector<std::vector<int>>& others,
                                         const TieOptions& options = {});

// An element left over, put in place of one of the plate's own, all others staying where they are.
struct Spare {
  int element = 0;
  int sites = 0;            // that it may stand at
  double mean_score = 0.0;  // over these sites: which one will be needed is not known
  double worst_score = 0.0;
  int best_site = 0;  // where it does best
  double best_score = 0.0;
  ScoreDifference behind_first;  // of the mean score, to the first spare's
  int rank = 1;                  // the same for spares that cannot be told from the first of their rank
};
// Those that fit the most sites first, then by mean score. At most `most`.
std::vector<Spare> RankSpares(const MatchProblem& problem, const std::vector<int>& placed, int most,
                              const TieOptions& options = {});

}  // namespace conebook::calib
